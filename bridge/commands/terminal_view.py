"""The demo's view in a terminal: moving traces, the events as they fall, what each would have sent."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence

import numpy as np
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bridge.rules.actions import Action
from bridge.service.dispatch import Result
from bridge.service.printer import describe_action, describe_event
from bridge.signals.types import Block, Detection, Event, Level, Samples, StreamInfo

_SECONDS = 6.0
_ROWS = 3  # text rows a trace
_MOST_ROWS = 8  # of traces that have the screen to themselves
# Bits of a braille cell (Unicode 2800–28FF) by dot column and row.
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_FEW_WORDS = {
    "eeg": "forehead EEG",
    "eog-horizontal": "horizontal EOG",
    "eog-vertical": "vertical EOG",
    "emg": "muscle (EMG)",
    "emg-envelope": "muscle (envelope)",
    "ecg": "heart (ECG)",
}


def draw_trace(samples: Samples, columns: int, rows: int) -> list[str]:
    """A signal, shape (n,), as lines of braille cells; each column of dots spans its min to max."""
    width, height = columns * 2, rows * 4
    finite = samples[np.isfinite(samples)]
    if finite.size == 0:
        return [" " * columns] * rows
    low, high = float(finite.min()), float(finite.max())
    span = (high - low) or 1.0
    cells = [[0] * columns for _ in range(rows)]
    edges = np.linspace(0, samples.shape[0], width + 1).astype(int)
    for dot_column in range(width):
        part = samples[edges[dot_column] : max(edges[dot_column] + 1, edges[dot_column + 1])]
        part = part[np.isfinite(part)]
        if part.size == 0:
            continue
        top = round((high - float(part.max())) / span * (height - 1))
        bottom = round((high - float(part.min())) / span * (height - 1))
        for dot_row in range(top, bottom + 1):
            cells[dot_row // 4][dot_column // 2] |= _DOTS[dot_column % 2][dot_row % 4]
    return ["".join(chr(0x2800 + cell) if cell else " " for cell in line) for line in cells]


class TerminalView:
    """A tap that keeps the last seconds and renders them when asked."""

    def __init__(self, state: str, *, traces_only: bool = False) -> None:
        self._state = state
        self._traces_only = traces_only
        self._info: StreamInfo | None = None
        self._ring: Samples = np.zeros((0, 0))
        self._time_s = 0.0
        self._lines: deque[Text] = deque(maxlen=200)
        self._levels: dict[str, float] = {}
        self._note = ""

    def opened(self, infos: Mapping[str, StreamInfo]) -> None:
        self._info = next(iter(infos.values()))
        self._ring = np.full((round(_SECONDS * self._info.rate), len(self._info.channels)), np.nan)

    def block(self, stream: str, block: Block) -> None:
        rows = block.samples[-self._ring.shape[0] :]
        self._ring = np.concatenate((self._ring[rows.shape[0] :], rows))
        assert self._info is not None
        self._time_s = block.end / self._info.rate

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, Result]]) -> None:
        for item in detections:
            if isinstance(item, Level):
                self._levels[item.kind] = item.value
                continue
            assert isinstance(item, Event)
            self._lines.append(Text(f"{item.onset:7.2f} s  {describe_event(item)}", style="bold"))
        for action, result in actions:
            if isinstance(action.cause, Level):
                continue  # many a second; the heading shows the level
            verb = "sent" if result == "sent" else "would send"
            self._lines.append(Text(f"{action.time:7.2f} s    → {verb} {describe_action(action)}"))

    def stands(self, sentence: str) -> None:
        """What is sent now."""
        self._state = sentence

    def note(self, text: str) -> None:
        """A line of the log."""
        self._note = text

    def closed(self) -> None:
        """Nothing to let go of."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        width = options.max_width
        height = options.height or console.size.height
        parts: list[RenderableType] = [self._heading()]
        channels = len(self._info.channels) if self._info else 0
        rows = _ROWS
        if self._traces_only and channels:
            rows = min(_MOST_ROWS, max(1, (height - 3) // channels - 2))
        if self._info is not None:
            for column, channel in enumerate(self._info.channels):
                label = f"{channel.name}: {_FEW_WORDS.get(channel.kind, channel.kind)}"
                trace = "\n".join(draw_trace(self._ring[:, column], max(10, width - 4), rows))
                parts.append(
                    Panel(Text(trace, no_wrap=True), title=label, title_align="left", height=rows + 2)
                )
        if not self._traces_only:
            parts.append(self._journal(max(3, height - 3 - channels * (rows + 2) - 2)))
        yield Group(*parts)

    def _journal(self, room: int) -> Panel:
        events = Text("\n", no_wrap=True, overflow="ellipsis").join(list(self._lines)[-room:])
        return Panel(
            events,
            title="what the body did → what it would have sent",
            title_align="left",
            height=room + 2,
        )

    def _heading(self) -> RenderableType:
        table = Table.grid(expand=True)
        table.add_column()
        table.add_column(justify="right")
        levels = "   ".join(f"{kind} {value:.2f}" for kind, value in sorted(self._levels.items()))
        table.add_row(
            Text(f"{self._time_s:6.1f} s   {self._state}   {levels}", no_wrap=True, overflow="ellipsis"),
            Text("Ctrl-C stops" if self._traces_only else "q or Ctrl-C stops", style="dim"),
        )
        table.add_row(Text(self._note, style="dim", no_wrap=True, overflow="ellipsis"), "")
        return table
