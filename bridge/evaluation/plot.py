"""A picture of the errors: stretches of the trace with what was found, missed and falsely found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from bridge.evaluation.running import Evaluation, Run
from bridge.recordings import Recording
from bridge.signals.types import Samples

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

STRETCH_S = 10.0
MOST_STRETCHES = 12


@dataclass(frozen=True, slots=True)
class _Stroke:
    """Told apart by mark and line style as well as by colour (WCAG 2.2, 1.4.1)."""

    label: str
    colour: str
    style: Literal["-", "--", ":", "none"]
    width: float = 1.0
    marker: str = ""

    def across(self, axis: Axes, time_s: float) -> None:
        axis.axvline(time_s, color=self.colour, linestyle=self.style, linewidth=self.width)

    def sample(self) -> Line2D:
        from matplotlib.lines import Line2D

        return Line2D(
            [],
            [],
            color=self.colour,
            linestyle=self.style,
            linewidth=self.width,
            marker=self.marker or "none",
        )


_FOUND = _Stroke("found", "tab:green", "-")
_REFERENCE = _Stroke("its reference", "tab:green", "none", marker="^")
_MISSED = _Stroke("missed reference", "tab:red", "--", 1.6)
_FALSE = _Stroke("false alarm", "tab:purple", ":", 2.0)


def stretches(error_times_s: Sequence[float], start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Stretches of ``STRETCH_S`` that hold every error, in order, without overlap; the first one if none."""
    found: list[tuple[float, float]] = []
    for time_s in sorted(error_times_s):
        if found and (time_s < found[-1][1] - 0.5 or found[-1][1] >= end_s):
            continue
        low = max(start_s, found[-1][1] if found else start_s, min(time_s - STRETCH_S / 2, end_s - STRETCH_S))
        found.append((low, min(end_s, low + STRETCH_S)))
    return found or [(start_s, min(end_s, start_s + STRETCH_S))]


def plot(path: Path, recording: Recording, run: Run, evaluation: Evaluation, title: str) -> None:
    """Write the picture. Raises OSError where it cannot be written, ValueError for an unknown file ending."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    matching = evaluation.matching
    errors = [mark.onset_s for mark in matching.missed] + [event.onset for event in matching.false_alarms]
    all_stretches = stretches(
        errors, recording.first / recording.info.rate, recording.end / recording.info.rate
    )
    shown = all_stretches[:MOST_STRETCHES]
    figure = Figure(figsize=(14, 1.2 + 2.0 * len(shown)), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(len(shown), 1, squeeze=False)[:, 0]
    traces = _traces(recording, run, shown)
    for axis, (low, high), (times_s, values) in zip(axes, shown, traces, strict=True):
        _draw(axis, low, high, times_s, values, evaluation)
    names = ", ".join(recording.info.channels[column].name for column in run.columns)
    counts = f"{len(matching.found)} found, {len(matching.missed)} missed, {len(matching.false_alarms)} false"
    part = (
        "" if len(shown) == len(all_stretches) else f"; {len(shown)} of {len(all_stretches)} stretches shown"
    )
    figure.suptitle(f"{title}, {run.detector} on {names}: {counts}{part}")
    strokes = (_FOUND, _REFERENCE, _MISSED, _FALSE)
    figure.legend(
        [stroke.sample() for stroke in strokes],
        [stroke.label for stroke in strokes],
        loc="outside lower center",
        ncols=len(strokes),
        fontsize="small",
    )
    axes[-1].set_xlabel("time (s)")
    figure.savefig(path, dpi=100)


def _traces(
    recording: Recording, run: Run, shown: Sequence[tuple[float, float]]
) -> list[tuple[Samples, Samples]]:
    """Times and samples of each stretch, read block by block so that a long recording costs no memory."""
    rate, columns = recording.info.rate, list(run.columns)
    times: list[list[Samples]] = [[] for _ in shown]
    values: list[list[Samples]] = [[] for _ in shown]
    for block in recording.blocks():
        for place, (low, high) in enumerate(shown):
            first = max(0, int(np.ceil(low * rate)) - block.first)
            last = min(len(block), int(high * rate) + 1 - block.first)
            if last > first:
                times[place].append((block.first + np.arange(first, last)) / rate)
                values[place].append(block.samples[first:last, columns])
    empty = np.empty((0, len(columns)))
    return [
        (np.concatenate(t) if t else empty[:, 0], np.concatenate(v) if v else empty)
        for t, v in zip(times, values, strict=True)
    ]


def _draw(
    axis: Axes, low: float, high: float, times_s: Samples, values: Samples, evaluation: Evaluation
) -> None:
    for column in range(values.shape[1]):
        # Several electrodes lie over each other: centred, so that an offset does not flatten them all.
        centred = (
            values[:, column] - np.nanmedian(values[:, column]) if values.shape[1] > 1 else values[:, column]
        )
        axis.plot(times_s, centred, color="0.35", linewidth=0.6, alpha=1.0 if values.shape[1] == 1 else 0.5)
    matching = evaluation.matching
    for mark, event in matching.found:
        if low <= event.onset <= high:
            _FOUND.across(axis, event.onset)
        if low <= mark.onset_s <= high:
            axis.plot(
                [mark.onset_s], [0.02], marker="^", color="tab:green", transform=axis.get_xaxis_transform()
            )
    for mark in matching.missed:
        if low <= mark.onset_s <= high:
            _MISSED.across(axis, mark.onset_s)
            _name(axis, mark.onset_s, f"missed {mark.kind}", "tab:red")
    for event in matching.false_alarms:
        if low <= event.onset <= high:
            _FALSE.across(axis, event.onset)
            _name(axis, event.onset, f"false {event.kind}", "tab:purple")
    axis.set_xlim(low, high)
    axis.tick_params(labelsize="small")


def _name(axis: Axes, time_s: float, text: str, colour: str) -> None:
    axis.text(
        time_s,
        0.98,
        f" {text}",
        color=colour,
        fontsize="x-small",
        va="top",
        transform=axis.get_xaxis_transform(),
    )
