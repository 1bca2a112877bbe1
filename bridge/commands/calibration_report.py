"""A calibration as one HTML file with its pictures inside; it loads nothing from anywhere."""

from __future__ import annotations

import io
from collections.abc import Callable
from html import escape
from typing import Any

import numpy as np

from bridge.calibration.figures import figures_of
from bridge.calibration.profile import DetectorProfile, Profile

_STYLE = """
:root { color-scheme: light dark; }
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 60rem; margin: 2rem auto; padding: 0 1rem; }
table { border-collapse: collapse; }
th, td { text-align: left; padding: .2rem 1rem .2rem 0; vertical-align: top; }
figure { margin: 1.5rem 0; } figure svg { max-width: 100%; height: auto; background: #fff; }
.warning { border-left: .3rem solid #b35900; padding-left: .7rem; }
"""
# Told apart by shape and label too, not by colour alone.
_ACT, _OTHER, _LINE = "#0b5394", "#b35900", "#333333"


def report(profile: Profile) -> str:
    """The page. Draws with matplotlib."""
    parts = "".join(_detector(name, part) for name, part in profile.detectors.items())
    title = escape(f"Calibration of {profile.person} on {profile.device}")
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head>'
        f"<body><h1>{title}</h1>{parts}"
        "<p>Not a medical device. Intervals are 95 %: exact binomial for hit rates, exact Poisson for false "
        "activations; the next session's are beta-binomial and gamma-Poisson predictions.</p></body></html>\n"
    )


def _detector(name: str, part: DetectorProfile) -> str:
    evidence, made = part.evidence, part.made_on
    channels = ", ".join(f"{c.name} ({c.kind})" for c in made.channels)
    rows = "".join(
        f'<tr><th scope="row">{escape(label)}</th><td>{escape(value)}</td></tr>'
        for label, value in figures_of(part)
    )
    warnings = "".join(f'<p class="warning">{escape(text)}</p>' for text in evidence.warnings)
    proposals = "".join(
        f"<p>Instead: {escape(item.words)}: {item.prediction.hit_rate:.0%} found, "
        f"{item.prediction.false_per_minute:.2f} false activations a minute."
        f"{escape(' Assumed: ' + item.assumed) if item.assumed else ''}</p>"
        for item in evidence.proposals
    )
    figures = ""
    if evidence.trace is not None:
        figures += _figure(
            lambda axes: _traces(axes, part), "The signal round each act, as the detector sees it"
        )
    if evidence.acts_sizes:
        figures += _figure(lambda axes: _sizes(axes, part), "Sizes of the acts and of what looks like them")
    if evidence.curve:
        figures += _figure(lambda axes: _trade_off(axes, part), "What each setting would have brought")
    return (
        f"<section><h2>{escape(name)}</h2><p>{escape(channels)} at {made.rate_hz:g} Hz, "
        f"{escape(made.date)}; filters: {escape(made.filters)}</p>{warnings}{proposals}<table>{rows}</table>"
        f"{figures}</section>"
    )


def _figure(draw: Callable[[Any], None], caption: str) -> str:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 3.4), layout="constrained")
    FigureCanvasSVG(figure)
    draw(figure.add_subplot())
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata={"Date": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :].replace("<svg", f'<svg role="img" aria-label="{escape(caption)}"', 1)
    return f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>"


def _traces(axes: Any, part: DetectorProfile) -> None:
    trace = part.evidence.trace
    assert trace is not None
    times = trace.start_s + trace.step_s * np.arange(trace.rows.shape[1])
    for row in trace.rows:
        axes.plot(times, row, color=_ACT, linewidth=0.7, alpha=0.35)
    axes.plot(times, np.median(trace.rows, axis=0), color=_LINE, linewidth=2, label="median")
    axes.axvline(0, color=_LINE, linestyle=":", linewidth=1)
    axes.set_xlabel("seconds from the act")
    axes.set_ylabel(part.evidence.unit or "amplitude")
    axes.legend(loc="upper right")


def _sizes(axes: Any, part: DetectorProfile) -> None:
    e = part.evidence
    sizes = [size for size in (*e.acts_sizes, *e.other_sizes) if size > 0]
    bins = np.geomspace(min(sizes) * 0.98, max(sizes) * 1.02, 40)
    axes.hist(e.acts_sizes, bins, color=_ACT, alpha=0.8, label=f"acts ({len(e.acts_sizes)})")
    axes.hist(
        e.other_sizes,
        bins,
        histtype="step",
        hatch="///",
        color=_OTHER,
        label=f"others ({len(e.other_sizes)})",
    )
    if e.threshold is not None:
        axes.axvline(e.threshold, color=_LINE, linestyle="--", label="threshold")
    axes.set_xscale("log")
    axes.set_xlabel(f"size ({e.unit})" if e.unit else "size")
    axes.set_ylabel("how many")
    axes.legend()


def _trade_off(axes: Any, part: DetectorProfile) -> None:
    e = part.evidence
    curve = np.asarray(e.curve)
    axes.plot(curve[:, 2], curve[:, 1], marker="o", markersize=4, color=_ACT)
    own = part.settings.get(e.setting)
    if isinstance(own, int | float):
        at = int(np.argmin(np.abs(curve[:, 0] - own)))
        axes.plot(curve[at, 2], curve[at, 1], marker="D", markersize=10, fillstyle="none", color=_LINE)
        axes.annotate(
            f"{e.setting} {own:.4g}", (curve[at, 2], curve[at, 1]), (8, -16), textcoords="offset points"
        )
    axes.set_xlabel("false activations a minute")
    axes.set_ylabel("hit rate")
    axes.set_ylim(-0.03, 1.05)
