"""`demo`: the whole job with a synthetic person; outputs are shown, not sent."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import click

from bridge.commands.ready_files import ready_files
from bridge.commands.running import RunOptions, output_streams, read_rules, run_rules
from bridge.commands.terminal_keys import NextKey, single_keys

if TYPE_CHECKING:
    from rich.live import Live

    from bridge.commands.terminal_view import TerminalView
    from bridge.service.daemon import Daemon

_FRAME_S = 1 / 15


@click.command(epilog="Example: biosignal-bridge demo --for 20")
@click.option(
    "--for",
    "for_s",
    type=click.FloatRange(min=0, min_open=True),
    metavar="SECONDS",
    help="Stop after this time.",
)
@click.option("--seed", type=click.IntRange(0), metavar="N", help="Another synthetic person.")
@click.option("--no-monitor", is_flag=True, help="No local page.")
@click.option("--json", "as_json", is_flag=True, help="JSON Lines on stdout instead of the moving view.")
def command(for_s: float | None, seed: int | None, no_monitor: bool, as_json: bool) -> int:
    """Show the whole job with a synthetic person: signal, events, and what each would have sent.

    No hardware is needed and nothing is sent. q or Ctrl-C stops. In a terminal the traces move; elsewhere
    lines are printed. The person is made up: it shows how the program works, not how well it detects.
    """
    from bridge.service.printer import Printer

    rules = read_rules(ready_files()["demo"])
    if seed is not None:
        assert rules.source is not None
        rules = rules.model_copy(update={"source": rules.source.model_copy(update={"seed": seed})})
    options = RunOptions(name="demo", for_s=for_s, dry_run=True, monitor=not no_monitor)
    moving = sys.stdout.isatty() and not as_json
    with output_streams() as (out, err):
        if not moving:
            summary, interrupted = run_rules(rules, options, taps=[Printer(out, as_json=as_json)])
        else:
            from bridge.commands.terminal_view import TerminalView

            view = TerminalView("")
            summary, interrupted = run_rules(
                rules, options, taps=[view], companions=lambda daemon: [_Screen(view, daemon)]
            )
        err.line(summary.line())
    return 0 if moving or not interrupted else 130


class _Screen:
    """Draws the view a few times a second and stops the daemon on q."""

    def __init__(self, view: TerminalView, daemon: Callable[[], Daemon]) -> None:
        self._view = view
        self._daemon = daemon
        self._stack = contextlib.ExitStack()
        self._task: asyncio.Task[None] | None = None

    @property
    def tasks(self) -> Sequence[asyncio.Task[None]]:
        return () if self._task is None else (self._task,)

    async def start(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self._stack.enter_context(_log_to(self._view))
        live = Live(console=Console(), screen=True, auto_refresh=False)
        self._stack.enter_context(live)
        next_key = self._stack.enter_context(single_keys())
        self._task = asyncio.create_task(self._draw(live, next_key))

    async def _draw(self, live: Live, next_key: NextKey) -> None:
        try:
            while True:
                self._view.stands(self._daemon().standing.sentence)
                live.update(self._view, refresh=True)
                if next_key() in ("q", "Q"):
                    self._daemon().stop()
                await asyncio.sleep(_FRAME_S)
        except Exception as error:
            # A picture that stands still must not be taken for the signal.
            self._daemon().fail(error)

    async def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        self._stack.close()


@contextlib.contextmanager
def _log_to(view: TerminalView) -> Iterator[None]:
    """While the view has the screen, the log's lines go into it."""
    root = logging.getLogger("bridge")
    before: Sequence[logging.Handler] = list(root.handlers)

    class Into(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            view.note(record.getMessage())

    root.handlers[:] = [Into()]
    try:
        yield
    finally:
        root.handlers[:] = before
