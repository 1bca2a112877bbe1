"""A calibration held live: signal check, cues by sample time, everything recorded as it comes."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable, Sequence
from typing import Protocol

from bridge.calibration.cues import Routine, Shown, Step
from bridge.recordings.recorder import Recorder
from bridge.signals.advice import advice_of
from bridge.signals.quality import ChannelQuality, QualitySnapshot, Verdict
from bridge.signals.types import Block, StreamInfo
from bridge.sources.protocol import Source

CHECK_S = 5.0
_TAIL_S = 1.0


class Screen(Protocol):
    """What the person sees and hears."""

    def opened(self, info: StreamInfo) -> None: ...

    def checking(self, left_s: float) -> None: ...

    def checked(self, snapshots: Sequence[QualitySnapshot]) -> None: ...

    def show(self, item: Shown) -> None: ...

    def progress(self, step: Step, number: int, of: int, done_s: float, signal: str) -> None: ...

    def key(self) -> str: ...

    def close(self) -> None: ...


class BadSignalError(ValueError):
    """The signal check failed; the message names the channels and what to do."""


class Session:
    """One source through a routine into a recorder. ``finished``: the routine has come to its end."""

    def __init__(
        self,
        source: Source,
        recorder: Recorder,
        routine: Routine,
        screen: Screen,
        *,
        force: bool = False,
        accept: Callable[[StreamInfo], None] | None = None,
    ) -> None:
        """``accept`` may refuse what the source carries by raising, before anything is recorded."""
        self.finished = False
        self.seconds = 0.0
        self._source, self._recorder, self._routine = source, recorder, routine
        self._screen, self._force, self._accept = screen, force, accept
        self._stop = asyncio.Event()
        self._failure: Exception | None = None
        self._begun_s: float | None = None
        self._step_s = 0.0
        self._ends_s: float | None = None
        self._quality: list[ChannelQuality] = []
        self._rate = 1.0

    async def run(self) -> None:
        """Raises SourceError, RecordingError or BadSignalError. What was recorded stays, whatever happens."""
        loop = asyncio.get_running_loop()
        with contextlib.suppress(NotImplementedError, RuntimeError):
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.add_signal_handler(number, self._stop.set)
        try:
            info = await self._source.open()
            if self._accept is not None:
                self._accept(info)
            self._rate = info.rate
            self._quality = [ChannelQuality(channel, info.rate) for channel in info.channels]
            self._recorder.opened({"": info})
            self._screen.opened(info)
            reading = asyncio.ensure_future(self._source.run(self._take))
            stopped = asyncio.ensure_future(self._stop.wait())
            await asyncio.wait({reading, stopped}, return_when=asyncio.FIRST_COMPLETED)
            failed = reading.exception() if reading.done() and not reading.cancelled() else None
            for task in (reading, stopped):
                task.cancel()
            await asyncio.gather(reading, stopped, return_exceptions=True)
            if failed is not None:
                raise failed
        finally:
            await self._source.close()
            self._recorder.closed()
            self._screen.close()
        if self._failure is not None:
            raise self._failure

    def _take(self, block: Block) -> None:
        if self._stop.is_set() or len(block) == 0:
            return
        self._recorder.block("", block)
        for column, quality in enumerate(self._quality):
            quality.process(block.samples[:, column], block.first)
        self.seconds = time_s = block.end / self._rate
        try:
            self._go_on(time_s)
        except Exception as error:
            self._failure = error
            self._stop.set()
        if self._recorder.failed:
            self._stop.set()

    def _go_on(self, time_s: float) -> None:
        if self._begun_s is None:
            self._screen.checking(max(0.0, CHECK_S - time_s))
            if time_s < CHECK_S:
                return
            self._check()
            self._begun_s = time_s
        self._keys(time_s)
        for item in self._routine.advance(time_s):
            self._show(item, time_s)
        number = self._routine.steps.index(self._routine.step)
        bad = [q.channel.name for q in self._quality if q.verdict is Verdict.BAD]
        signal_words = f"bad signal on {', '.join(bad)}: press the electrode on" if bad else "signal fine"
        done_s = max(0.0, time_s - self._step_s)
        self._screen.progress(self._routine.step, number + 1, len(self._routine.steps), done_s, signal_words)
        if self._ends_s is not None and time_s >= self._ends_s:
            self.finished = True
            self._stop.set()

    def _check(self) -> None:
        snapshots = [quality.snapshot() for quality in self._quality]
        self._screen.checked(snapshots)
        bad = [item for item in snapshots if item.verdict is Verdict.BAD]
        if bad and not self._force:
            words = "; ".join(f"{s.channel.name}: {s.reason}. {' '.join(advice_of(s))}" for s in bad)
            raise BadSignalError(f"the signal is too bad to start ({words}) --force starts all the same")

    def _keys(self, time_s: float) -> None:
        key = self._screen.key()
        if key == "q":
            self._stop.set()
        elif key == "r":
            self._recorder.mark("step repeated", time_s)
            self._routine.repeat(time_s)
            self._ends_s = None
        elif key in (" ", "\r", "\n"):
            self._routine.go(time_s)

    def _show(self, item: Shown, time_s: float) -> None:
        """Note the moment at which it is shown, not the one it was due."""
        if item.what == "step" and item.step is not None:
            self._step_s = time_s
            self._recorder.mark(item.step.label, time_s, item.step.seconds)
        elif item.what == "cue" and item.cue is not None:
            self._recorder.mark(item.cue.label, time_s, item.cue.hold_s)
        elif item.what == "done":
            self._ends_s = time_s + _TAIL_S
        self._screen.show(item)
