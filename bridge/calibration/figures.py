"""A profile's evidence in words: the terminal, the report and the page say the same."""

from __future__ import annotations

import math

from bridge.calibration.evidence import Prediction
from bridge.calibration.intervals import Interval
from bridge.calibration.profile import DetectorProfile

_NEXT_ACTS = 20
_NEXT_MINUTES = 10.0


def figures_of(part: DetectorProfile) -> list[tuple[str, str]]:
    """Label and value of each figure, in words."""
    e = part.evidence
    settings = ", ".join(f"{key} {_short(value)}" for key, value in part.settings.items())
    rows = [("settings", settings or "the detector's own")]
    acts = ", ".join(f"{count} {kind}" for kind, count in e.counts.acts.items() if count)
    rows.append(("rests on", f"{acts or 'no labelled acts'} in {e.counts.minutes:.1f} min"))
    if e.d_prime is not None and e.area is not None:
        rows.append(("separation", f"d′ {e.d_prime:.2f} (log size), area under the curve {e.area:.3f}"))
    if e.prediction.acts:
        rows.append(("expected hit rate", percent(e.prediction)))
        soon = e.prediction.next_hits(_NEXT_ACTS)
        rows.append((f"  next {_NEXT_ACTS} acts", f"{soon.low:.0%} to {soon.high:.0%}"))
    if e.prediction.minutes:
        rows.append(("expected false activations", false_rate(e.prediction)))
        false = e.prediction.next_false(_NEXT_MINUTES)
        rows.append((f"  next {_NEXT_MINUTES:g} min", f"{false.low:.2g} to {false.high:.2g} a minute"))
    if e.default is not None and e.default.acts:
        rows.append(("without a profile", f"{percent(e.default)}; {false_rate(e.default)}"))
    if e.verified is not None:
        rows.append(("verified", f"{e.verified[0]} of {e.verified[1]} acts found with these settings"))
    if e.latency_s is not None:
        rows.append(
            ("decided", f"{e.latency_s[0] * 1e3:.0f} ms after onset (95 %: {e.latency_s[1] * 1e3:.0f} ms)")
        )
    if e.reaction is not None:
        rows.append(
            (
                "reaction to cues",
                f"{e.reaction.median_s * 1e3:.0f} ms, spread {e.reaction.spread_s * 1e3:.0f} ms",
            )
        )
    rows.extend((name, _short(value)) for name, value in e.levels.items())
    return rows


def _short(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def percent(p: Prediction) -> str:
    """A hit rate with its counts and interval."""
    interval = p.hit_interval
    return f"{p.hit_rate:.0%} ({p.hits} of {p.acts}; 95 %: {interval.low:.0%} to {interval.high:.0%})"


def false_rate(p: Prediction) -> str:
    """False activations a minute with their counts and interval."""
    interval: Interval = p.false_interval
    high = "∞" if math.isinf(interval.high) else f"{interval.high:.2f}"
    counted = f"{p.false} in {p.minutes:.1f} min; 95 %: {interval.low:.2f} to {high}"
    return f"{p.false_per_minute:.2f} a minute ({counted})"
