"""The calibration's screens: a live one in a terminal, plain lines elsewhere. Words first, a bell if wished.

A cue is a word that stands for a moment and goes, at most once in 1.3 s: far below three flashes a second.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import Any

from rich.align import Align
from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.text import Text

from bridge.calibration.cues import Shown, Step
from bridge.commands.cautions import CAUTIONS
from bridge.commands.terminal_keys import NextKey, single_keys
from bridge.signals.advice import advice_of, describe
from bridge.signals.figures import QualitySnapshot, Verdict
from bridge.signals.types import StreamInfo

_STANDS_S = 0.8
_KEYS = "r repeats the step, space goes on, q ends (what was recorded stays)"


class LineScreen:
    """One line for each thing that happens; for pipes and logs."""

    def __init__(self, console: Console, *, bell: bool) -> None:
        self._console, self._bell = console, bell

    def opened(self, info: StreamInfo) -> None:
        self._console.print(CAUTIONS)

    def checking(self, left_s: float) -> None:
        """Nothing to say yet."""

    def checked(self, snapshots: Sequence[QualitySnapshot]) -> None:
        for line in check_lines(snapshots):
            self._console.print(line)

    def show(self, item: Shown) -> None:
        if item.what == "step" and item.step is not None:
            self._console.print(f"Step {item.number + 1}: {item.step.words} ({item.step.seconds:.0f} s)")
        elif item.what == "cue" and item.cue is not None:
            if self._bell:
                self._console.bell()
            self._console.print(f"  {item.cue.words}")
        elif item.what == "let-go":
            self._console.print("  Let go")

    def progress(self, step: Step, number: int, of: int, done_s: float, signal: str) -> None:
        """Lines need no bar."""

    def key(self) -> str:
        return ""

    def close(self) -> None:
        """Nothing to restore."""


class LiveScreen:
    """The whole terminal: the step, one large word, progress, the signal."""

    def __init__(self, console: Console, *, bell: bool) -> None:
        self._console, self._bell = console, bell
        self._word, self._instruction = "Signal check", "Sit still"
        self._gone_s = 0.0  # when the word has stood long enough, from the step's start
        self._live = Live(console=console, refresh_per_second=10, transient=True)
        self._stack = contextlib.ExitStack()
        self._next_key: NextKey = lambda: ""

    def opened(self, info: StreamInfo) -> None:
        self._console.print(CAUTIONS)
        self._next_key = self._stack.enter_context(single_keys())
        self._live.start()

    def checking(self, left_s: float) -> None:
        self._draw(None, f"{left_s:.0f} s", "")

    def checked(self, snapshots: Sequence[QualitySnapshot]) -> None:
        for line in check_lines(snapshots):
            self._live.console.print(line)

    def show(self, item: Shown) -> None:
        if item.what == "step" and item.step is not None:
            self._instruction, self._word, self._gone_s = item.step.words, "", 0.0
        elif item.what == "cue" and item.cue is not None:
            self._word = item.cue.words
            self._gone_s = item.cue.at_s + max(item.cue.hold_s, _STANDS_S)
            if self._bell:
                self._console.bell()
        elif item.what == "let-go":
            self._word = "Let go"
            self._gone_s += _STANDS_S
        elif item.what == "step-ended":
            self._word = "Rest a moment"

    def progress(self, step: Step, number: int, of: int, done_s: float, signal: str) -> None:
        if self._gone_s and done_s > self._gone_s and done_s < step.seconds:
            self._word, self._gone_s = "", 0.0
        bar = ProgressBar(total=step.seconds, completed=min(done_s, step.seconds), width=50)
        self._draw(bar, f"Step {number} of {of}", signal)

    def _draw(self, bar: ProgressBar | None, title: str, signal: str) -> None:
        word = Align.center(Text(f"\n{self._word}\n", style="bold", justify="center"))
        parts: list[Any] = [Text(self._instruction, justify="center"), word]
        if bar is not None:
            parts.append(Align.center(bar))
        parts.extend((Text(signal, justify="center"), Text(_KEYS, style="dim", justify="center")))
        self._live.update(Panel(Group(*parts), title=title))

    def key(self) -> str:
        return self._next_key()

    def close(self) -> None:
        self._live.stop()
        self._stack.close()


def check_lines(snapshots: Sequence[QualitySnapshot]) -> list[str]:
    """The signal check in words: each channel's verdict, its figures, and what to do."""
    lines = []
    for item in snapshots:
        figures = describe(item.figures, item.channel)
        lines.append(f"{item.channel.name}: {item.verdict.value} ({item.reason}); {figures}")
        if item.verdict is not Verdict.GOOD:
            lines.extend(f"  {line}" for line in advice_of(item))
    return lines
