"""A profile drawn in the terminal: figures with their intervals, sizes with the threshold, the trade-off."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bridge.calibration.evidence import Evidence
from bridge.calibration.figures import false_rate, figures_of, percent
from bridge.calibration.profile import DetectorProfile, Profile

_BARS = " ▁▂▃▄▅▆▇█"
_WIDTH = 60


def draw_profile(profile: Profile, console: Console) -> None:
    """Everything a person wants to know before trusting it."""
    console.print(f"Profile of [bold]{profile.person}[/] on [bold]{profile.device}[/]")
    for name, part in profile.detectors.items():
        _draw_detector(name, part, console)


def _draw_detector(name: str, part: DetectorProfile, console: Console) -> None:
    made, evidence = part.made_on, part.evidence
    channels = ", ".join(f"{c.name} ({c.kind})" for c in made.channels)
    console.print(Panel(f"{channels} at {made.rate_hz:g} Hz, {made.date}", title=name, title_align="left"))
    figures = Table(show_header=False, box=None, padding=(0, 2))
    for label, value in figures_of(part):
        figures.add_row(label, value)
    console.print(figures)
    if evidence.acts_sizes:
        console.print(Text(f"\nSizes in {evidence.unit or 'the unit of the channel'} (logarithmic)"))
        for line in draw_sizes(evidence):
            console.print(Text(line))
    if evidence.curve:
        console.print(_trade_off(part))
    for proposal in evidence.proposals:
        prediction = proposal.prediction
        assumed = f" (assumed: {proposal.assumed})" if proposal.assumed else ""
        console.print(
            f"Instead: [bold]{proposal.words}[/]: {percent(prediction)} found, "
            f"{false_rate(prediction)}{assumed}"
        )
    for warning in evidence.warnings:
        console.print(Text(f"! {warning}", style="yellow"))


def draw_sizes(evidence: Evidence, width: int = _WIDTH) -> list[str]:
    """Two histograms on one logarithmic axis, the threshold between them."""
    sizes = [size for size in (*evidence.acts_sizes, *evidence.other_sizes) if size > 0]
    if not sizes:
        return []
    marks = [*sizes, *([evidence.threshold] if evidence.threshold else [])]
    low, high = math.log(min(marks)), math.log(max(marks))
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    edges = np.linspace(low - 1e-9, high + 1e-9, width + 1)
    lines = [
        f"{label:>8} {_histogram(values, edges)} {len(values)}"
        for label, values in (("acts", evidence.acts_sizes), ("others", evidence.other_sizes))
    ]
    axis = f"{math.exp(low):.3g}"
    lines.append(f"{'':>8} {axis}{math.exp(high):>{width - len(axis)}.3g}")
    if evidence.threshold:
        at = min(width - 1, int((math.log(evidence.threshold) - low) / (high - low) * width))
        lines.insert(2, f"{'':>8} {' ' * at}│ threshold {evidence.threshold:.4g}")
    return lines


def _histogram(values: Sequence[float], edges: np.ndarray) -> str:
    counts, _ = np.histogram(np.log([value for value in values if value > 0]), edges)
    most = max(1, int(counts.max()))
    return "".join(_BARS[0 if count == 0 else max(1, round(count / most * 8))] for count in counts)


def _trade_off(part: DetectorProfile) -> Table:
    e = part.evidence
    own = part.settings.get(e.setting)
    table = Table(title="What each setting would have brought", title_justify="left")
    for heading in (e.setting, "found", "false a minute", ""):
        table.add_column(heading, justify="right")
    chosen = None
    if isinstance(own, int | float):
        chosen = min(range(len(e.curve)), key=lambda i: abs(e.curve[i][0] - own))
    every = max(1, len(e.curve) // 10)
    for index, (setting, hit, false) in enumerate(e.curve):
        if index % every == 0 or index == chosen:
            mark = "◀ chosen" if index == chosen else ""
            table.add_row(f"{setting:.4g}", f"{hit:.0%}", f"{false:.2f}", mark)
    return table
