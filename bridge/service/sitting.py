"""One person through a calibration's routine: signal check, cues by sample time, everything recorded.

No source and no clock in here: the terminal's session feeds it from a source of its own, the daemon from the
stream that it already has.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from bridge.calibration.cues import Routine, Shown, Step
from bridge.recordings.recorder import Recorder
from bridge.signals.advice import advice_of
from bridge.signals.figures import QualitySnapshot, Verdict
from bridge.signals.quality import ChannelQuality
from bridge.signals.types import Block, StreamInfo
from bridge.sources.protocol import Prompted

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


class Sitting:
    """``finished``: the routine has come to its end; ``stopped``: the person ended it before."""

    def __init__(
        self,
        recorder: Recorder,
        routine: Routine,
        screen: Screen,
        *,
        force: bool = False,
        source: object = None,
    ) -> None:
        """``force`` begins although the signal is bad. A ``source`` that is ``Prompted`` sees the prompts."""
        self._person = source if isinstance(source, Prompted) else None
        self.finished = self.stopped = False
        self.seconds = 0.0
        self._recorder, self._routine, self._screen, self._force = recorder, routine, screen, force
        self._from_s: float | None = None
        self._begun = False
        self._step_s = 0.0
        self._ends_s: float | None = None
        self._quality: list[ChannelQuality] = []
        self._rate = 1.0

    @property
    def over(self) -> bool:
        return self.finished or self.stopped or self._recorder.problem is not None

    def open(self, info: StreamInfo) -> None:
        """What will come. Raises RecordingError."""
        self._rate = info.rate
        self._quality = [ChannelQuality(channel, info.rate) for channel in info.channels]
        self._recorder.opened({"": info})
        self._screen.opened(info)

    def take(self, block: Block) -> None:
        """The next samples. Raises BadSignalError when the check fails."""
        if self.over or len(block) == 0:
            return
        self._recorder.block("", block)
        for column, quality in enumerate(self._quality):
            quality.process(block.samples[:, column], block.first)
        if self._from_s is None:
            self._from_s = block.first / self._rate
        time_s = block.end / self._rate
        self.seconds = time_s - self._from_s
        self._go_on(time_s)

    def close(self) -> None:
        """What was recorded stays."""
        self._recorder.closed()
        self._screen.close()

    def _go_on(self, time_s: float) -> None:
        if not self._begun:
            self._screen.checking(max(0.0, CHECK_S - self.seconds))
            if self.seconds < CHECK_S:
                return
            self._check()
            self._begun = True
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
            self.stopped = True
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
            self._mark(item.step.label, time_s, item.step.seconds)
        elif item.what == "cue" and item.cue is not None:
            self._mark(item.cue.label, time_s, item.cue.hold_s)
        elif item.what == "done":
            self._ends_s = time_s + _TAIL_S
        self._screen.show(item)

    def _mark(self, label: str, time_s: float, seconds: float) -> None:
        self._recorder.mark(label, time_s, seconds)
        if self._person is not None:
            self._person.prompted(label, seconds)
