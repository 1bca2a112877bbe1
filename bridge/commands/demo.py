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
from bridge.commands.running import RunOptions, read_rules, run_rules, start_log

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
    from bridge.service.printer import Printer, PrinterTap

    start_log()
    rules = read_rules(ready_files()["demo"])
    if seed is not None:
        assert rules.source is not None
        rules = rules.model_copy(update={"source": rules.source.model_copy(update={"seed": seed})})
    options = RunOptions(for_s=for_s, dry_run=True, monitor=not no_monitor)
    moving = sys.stdout.isatty() and not as_json
    if not moving:
        tap = PrinterTap(Printer(sys.stdout, as_json=as_json))
        summary, interrupted = run_rules(rules, options, taps=[tap])
    else:
        from bridge.commands.terminal_view import TerminalView

        view = TerminalView("")
        summary, interrupted = run_rules(
            rules, options, taps=[view], companions=lambda daemon: [_Screen(view, daemon)]
        )
    click.echo(summary.line(), err=True)
    return 0 if moving or not interrupted else 130


class _Screen:
    """Draws the view a few times a second and stops the daemon on q."""

    def __init__(self, view: TerminalView, daemon: Callable[[], Daemon]) -> None:
        self._view = view
        self._daemon = daemon
        self._stack = contextlib.ExitStack()
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self._stack.enter_context(_log_to(self._view))
        live = Live(console=Console(), screen=True, auto_refresh=False)
        self._stack.enter_context(live)
        self._stack.enter_context(_keys(self._pressed))
        self._task = asyncio.create_task(self._draw(live))

    def _pressed(self, key: str) -> None:
        if key in ("q", "Q"):
            self._daemon().stop()

    async def _draw(self, live: Live) -> None:
        while True:
            self._view.stands(self._daemon().standing.sentence)
            live.update(self._view, refresh=True)
            await asyncio.sleep(_FRAME_S)

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


@contextlib.contextmanager
def _keys(pressed: Callable[[str], None]) -> Iterator[None]:
    """Single keys from the terminal, where it has them (POSIX); elsewhere Ctrl-C still stops."""
    try:
        import termios
        import tty
    except ImportError:
        yield
        return
    if not sys.stdin.isatty():
        yield
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    tty.setcbreak(descriptor)
    loop = asyncio.get_running_loop()
    loop.add_reader(descriptor, lambda: pressed(sys.stdin.read(1)))
    try:
        yield
    finally:
        loop.remove_reader(descriptor)
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
