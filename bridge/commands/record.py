"""`record`: a signal as EDF+."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import signal
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.cautions import CAUTIONS, on_a_body
from bridge.commands.live_options import live_options, live_source
from bridge.commands.recording_options import InvalidInput, source_failure
from bridge.signals.types import Block, ChannelKind

if TYPE_CHECKING:
    from bridge.recordings.recorder import Recorder
    from bridge.sources.protocol import Source


@click.command(epilog="Example: biosignal-bridge record try.edf --source synthetic --for 20")
@click.argument("out", type=click.Path(dir_okay=False, path_type=Path))
@live_options
@click.option("--for", "seconds", type=click.FloatRange(min=0, min_open=True), metavar="SECONDS")
@click.option("--overwrite", is_flag=True, help="Replace OUT if it is there.")
def command(
    out: Path,
    what: str,
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    baud: int | None,
    seconds: float | None,
    fast: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Record to OUT as EDF+ (BDF+ where 16 bits are too few), until --for has passed or Ctrl-C.

    A power cut loses at most two seconds. Gaps stay gaps, and personal fields stay empty.
    """
    from bridge.recordings import RecordingError
    from bridge.recordings.recorder import Recorder
    from bridge.sources.protocol import SourceError

    logging.basicConfig(format="%(message)s", level=logging.INFO)
    if out.suffix.lower() not in (".edf", ".bdf"):
        raise click.UsageError(f"{out} must end in .edf or .bdf")
    if out.exists() and not overwrite:
        told = "the file is there already; name another one, or replace it by --overwrite"
        raise InvalidInput(f"{out}: {told}")
    recorder = Recorder(out, overwrite=overwrite)
    try:
        source = live_source(what, channels, kinds, rate, baud, fast)
        if on_a_body([source]):
            click.echo(CAUTIONS, err=True)
        recorded = asyncio.run(_Recording(source, recorder, seconds).run())
    except SourceError as error:
        raise source_failure(error) from error
    except RecordingError as error:
        raise InvalidInput(str(error)) from error
    summary = {
        "file": str(out),
        "seconds": round(recorded.seconds, 3),
        "samples": recorded.samples,
        "lost_samples": recorded.source.counts.lost_samples,
        "problem": recorder.problem,
    }
    if as_json:
        click.echo(json.dumps(summary))
    else:
        click.echo(
            f"{recorded.seconds:.1f} s in {summary['file']}, {summary['lost_samples']} samples lost", err=True
        )
    if recorder.problem is not None:
        raise click.exceptions.Exit(1)
    if recorded.interrupted:
        raise click.exceptions.Exit(130)


class _Recording:
    """A source into a recorder until it ends, time is up or a signal comes."""

    def __init__(self, source: Source, recorder: Recorder, limit_s: float | None) -> None:
        self.source = source
        self.seconds = 0.0
        self.samples = 0
        self.interrupted = False
        self._recorder = recorder
        self._limit_s = limit_s
        self._stop = asyncio.Event()
        self._marked_s = 0.0
        self._rate = 1.0

    async def run(self) -> _Recording:
        from bridge.service.system_signals import ENDING, heard

        with heard(ENDING, self._on_signal):
            recording = asyncio.ensure_future(self._record())
            stopped = asyncio.ensure_future(self._stop.wait())
            try:
                await asyncio.wait({recording, stopped}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for task in (recording, stopped):
                    task.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await recording
        return self

    async def _record(self) -> None:
        try:
            info = await self.source.open()
            self._rate = info.rate
            self._recorder.opened({"": info})
            await self.source.run(self._take)
        finally:
            await self.source.close()
            self._mark_truth(0.0)
            self._recorder.closed()

    def _take(self, block: Block) -> None:
        if self._stop.is_set():
            return
        limit = None if self._limit_s is None else round(self._limit_s * self._rate)
        if limit is not None and block.end >= limit:
            block = Block(block.samples[: max(0, limit - block.first)], block.first, block.received)
            self._stop.set()
        self._recorder.block("", block)
        self.samples += len(block)
        self.seconds = block.end / self._rate
        self._mark_truth(0.5)
        if self._recorder.problem is not None:
            self._stop.set()

    def _on_signal(self, number: int) -> None:
        self.interrupted = number == signal.SIGINT
        self._stop.set()

    def _mark_truth(self, every_s: float) -> None:
        """What the synthetic person did, as annotations: it is the one source that knows."""
        from bridge.sources.synthetic import SyntheticSource

        if isinstance(self.source, SyntheticSource) and self.seconds - self._marked_s >= every_s:
            for item in self.source.person.truth_until(self.seconds):
                if item.onset > self._marked_s:
                    mark = item.annotation()
                    self._recorder.mark(mark.label, mark.onset, mark.duration)
            self._marked_s = self.seconds
