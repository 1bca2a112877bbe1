"""What a person at the page sees of a calibration: plain data, and a count of its changes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.calibration.cues import Shown, Step
from bridge.service.sitting import CHECK_S
from bridge.signals.advice import advice_of
from bridge.signals.figures import QualitySnapshot
from bridge.signals.types import StreamInfo

_WORD_STANDS_S = 0.8
_PROGRESS_STEP_S = 0.1


class PageScreen:
    """The sitting's screen. ``said`` is what the page shows, ``pressed`` the key that was pressed last."""

    def __init__(self) -> None:
        self.version = 0
        self.said: dict[str, Any] = {"phase": "idle"}
        self.pressed = ""
        self._word_gone_s = 0.0

    def say(self, **said: Any) -> None:
        """Show this and nothing else."""
        self.said = said
        self.version += 1

    def add(self, **said: Any) -> None:
        """Show this too."""
        self.say(**{**self.said, **said})

    def opened(self, info: StreamInfo) -> None:
        """Nothing to show yet."""

    def checking(self, left_s: float) -> None:
        self._progress(CHECK_S - left_s, CHECK_S, "")

    def checked(self, snapshots: Sequence[QualitySnapshot]) -> None:
        check = [
            {
                "channel": item.channel.name,
                "verdict": item.verdict.value,
                "reason": str(item.reason),
                "advice": list(advice_of(item)),
            }
            for item in snapshots
        ]
        self.add(phase="running", check=check)

    def show(self, item: Shown) -> None:
        said = dict(self.said)
        if item.what == "step" and item.step is not None:
            said.update(
                phase="running",
                number=item.number + 1,
                step=item.step.name,
                instruction=item.step.words,
                word="",
                seconds=item.step.seconds,
                done=0.0,
            )
            self._word_gone_s = 0.0
        elif item.what == "cue" and item.cue is not None:
            said.update(word=item.cue.words, cue=said.get("cue", 0) + 1)
            self._word_gone_s = item.cue.at_s + max(item.cue.hold_s, _WORD_STANDS_S)
        elif item.what == "let-go":
            said.update(word="Let go", cue=said.get("cue", 0) + 1)
            self._word_gone_s += _WORD_STANDS_S
        elif item.what == "step-ended":
            said.update(phase="between", word="")
        self.say(**said)

    def progress(self, step: Step, number: int, of: int, done_s: float, signal: str) -> None:
        if self._word_gone_s and done_s > self._word_gone_s and self.said.get("word"):
            self._word_gone_s = 0.0
            self.add(word="")
        self._progress(done_s, step.seconds, signal)

    def key(self) -> str:
        key, self.pressed = self.pressed, ""
        return key

    def close(self) -> None:
        """Whoever holds the sitting says how it ended."""

    def _progress(self, done_s: float, of_s: float, signal: str) -> None:
        done = round(min(1.0, max(0.0, done_s / of_s)), 3)
        before = self.said.get("done", -1.0)
        same = signal == self.said.get("signal") and done >= before
        if same and done < 1.0 and (done - before) * of_s < _PROGRESS_STEP_S:
            return
        if same and done == before:
            return
        self.add(done=done, signal=signal)
