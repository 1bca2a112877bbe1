"""`check`: is the signal good enough, and what to do where it is not."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from bridge.commands.cautions import CAUTIONS, on_a_body
from bridge.commands.live_options import live_options, live_source
from bridge.commands.recording_options import InvalidInput, source_failure
from bridge.signals.types import Block, ChannelKind

if TYPE_CHECKING:
    from rich.live import Live

    from bridge.signals.figures import QualitySnapshot
    from bridge.signals.quality import ChannelQuality
    from bridge.sources.protocol import Source

_FRAME_S = 0.1
_WORDS = {"good": "pass", "poor": "pass, but could be better", "bad": "FAIL"}


@click.command(epilog="Example: biosignal-bridge check --source synthetic --for 10")
@live_options
@click.option(
    "--for",
    "seconds",
    type=click.FloatRange(min=2),
    default=10.0,
    show_default=True,
    metavar="SECONDS",
    help="How long to look.",
)
@click.option("--keys", is_flag=True, help="Look instead whether keys can be pressed here; none is.")
def command(
    what: str,
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    baud: int | None,
    seconds: float,
    fast: bool,
    as_json: bool,
    keys: bool,
) -> int:
    """Judge each channel: contact, mains hum, noise, clipping, lost samples; say what to do about each.

    In a terminal the traces move meanwhile. Exit 1 when a channel fails. The advice is common practice.

    --keys says which way of typing will be used here, whether it can be (else exit 1), and what is missing.

    Run everything that touches the body from batteries, nothing on mains; no implants; not a medical device.
    """
    from bridge.sources.protocol import SourceError

    if keys:
        return _keys(as_json)
    try:
        source = live_source(what, channels, kinds, rate, baud, fast)
        if on_a_body([source]):
            click.echo(CAUTIONS, err=True)
        look = asyncio.run(_Look(source, seconds, moving=sys.stdout.isatty() and not as_json).run())
    except SourceError as error:
        raise source_failure(error) from error
    except ValueError as error:
        raise InvalidInput(str(error)) from error
    if look.samples == 0:
        raise click.ClickException("no samples came; is the board sending?")
    snapshots = [quality.snapshot() for quality in look.qualities]
    counts = source.counts
    if as_json:
        report = {
            "seconds": round(look.samples / look.rate_hz, 3),
            "rate_hz": look.rate_hz,
            "lost_samples": counts.lost_samples,
            "skipped_lines": counts.skipped_lines,
            "passed": all(_passed(snapshot) for snapshot in snapshots),
            "channels": [_plain(snapshot) for snapshot in snapshots],
            "cautions": _cautions(look),
        }
        click.echo(json.dumps(report, ensure_ascii=False))
    else:
        for snapshot in snapshots:
            _tell(snapshot)
        click.echo(
            f"{look.samples} samples at {look.rate_hz:g} Hz, {counts.lost_samples} lost, "
            f"{counts.skipped_lines} lines skipped",
            err=True,
        )
        for detector, caution in _cautions(look).items():
            click.echo(f"{detector}: {caution}")
    return 0 if all(_passed(snapshot) for snapshot in snapshots) else 1


def _keys(as_json: bool) -> int:
    """Whether keys can be pressed here; types nothing."""
    from bridge.outputs.typing_check import look

    report = look()
    if as_json:
        click.echo(json.dumps({**asdict(report), "way_in_words": report.way_in_words}, ensure_ascii=False))
    else:
        click.echo(f"session        {report.session}")
        click.echo(f"way of typing  {report.way_in_words}")
        click.echo(f"able           {'yes; nothing was typed' if report.able else 'NO'}")
        for words in report.missing:
            click.echo(f"  → {words}")
        for words in report.limits:
            click.echo(f"  {words}")
    return 0 if report.able else 1


def _passed(snapshot: QualitySnapshot) -> bool:
    return snapshot.verdict.value != "bad"


def _cautions(look: _Look) -> dict[str, str]:
    """What must be known of the detectors that could work on these channels before they are believed."""
    from bridge.detectors import DETECTORS
    from bridge.pipeline import can_bind
    from bridge.signals.types import StreamInfo

    info = StreamInfo(tuple(quality.channel for quality in look.qualities), look.rate_hz)
    return {
        name: type_.caution for name, type_ in DETECTORS.items() if type_.caution and can_bind(info, name)
    }


def _plain(snapshot: QualitySnapshot) -> dict[str, Any]:
    from bridge.signals.advice import advice_of

    return {
        "channel": snapshot.channel.name,
        "kind": snapshot.channel.kind,
        "passed": _passed(snapshot),
        "verdict": snapshot.verdict.value,
        "reason": snapshot.reason.value,
        "advice": list(advice_of(snapshot)),
        **asdict(snapshot.figures),
    }


def _tell(snapshot: QualitySnapshot) -> None:
    from bridge.signals.advice import advice_of, describe

    channel = snapshot.channel
    reason = "" if snapshot.verdict.value == "good" else f" ({snapshot.reason.value})"
    click.echo(f"{channel.name} ({channel.kind}): {_WORDS[snapshot.verdict.value]}{reason}")
    click.echo(f"  {describe(snapshot.figures, channel)}")
    for step in advice_of(snapshot):
        click.echo(f"  → {step}")


class _Look:
    """Some seconds of a source through the quality of each channel."""

    def __init__(self, source: Source, seconds: float, *, moving: bool) -> None:
        self.qualities: tuple[ChannelQuality, ...] = ()
        self.samples = 0
        self.rate_hz = 1.0
        self._source = source
        self._seconds = seconds
        self._moving = moving
        self._enough = asyncio.Event()

    async def run(self) -> _Look:
        from bridge.commands.terminal_view import TerminalView
        from bridge.signals.quality import ChannelQuality

        try:
            info = await self._source.open()
            self.rate_hz = info.rate
            self.qualities = tuple(ChannelQuality(channel, info.rate) for channel in info.channels)
            self._view = TerminalView("signal check", traces_only=True)
            self._view.opened({"": info})
            with self._screen() as live:
                reading = asyncio.ensure_future(self._source.run(self._take))
                drawing = asyncio.ensure_future(self._draw(live))
                enough = asyncio.ensure_future(self._wait())
                try:
                    await asyncio.wait({reading, enough}, return_when=asyncio.FIRST_COMPLETED)
                finally:
                    for task in (reading, drawing, enough):
                        task.cancel()
                    ended = await asyncio.gather(reading, drawing, enough, return_exceptions=True)
                for result in ended:
                    if isinstance(result, Exception):
                        raise result
        finally:
            await self._source.close()
        return self

    async def _wait(self) -> None:
        # A port that falls silent must not keep us: twice the time is enough to wait.
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._enough.wait(), 2 * self._seconds + 5)

    def _take(self, block: Block) -> None:
        if self._enough.is_set():
            return
        for column, quality in enumerate(self.qualities):
            quality.process(block.samples[:, column], block.first)
        self.samples += len(block)
        if self._moving:
            self._view.block("", block)
        if self.samples >= self._seconds * self.rate_hz:
            self._enough.set()

    @contextlib.contextmanager
    def _screen(self) -> Any:
        if not self._moving:
            yield None
            return
        from rich.console import Console
        from rich.live import Live

        with Live(console=Console(), screen=True, auto_refresh=False) as live:
            yield live

    async def _draw(self, live: Live | None) -> None:
        while True:
            await asyncio.sleep(_FRAME_S)
            if live is None:
                continue
            worst = ", ".join(
                f"{snapshot.channel.name} {snapshot.verdict.value}"
                for snapshot in (quality.snapshot() for quality in self.qualities)
            )
            self._view.note(worst)
            live.update(self._view, refresh=True)
