"""The eyes-closed rhythm: this person's own peak, and thresholds between eyes open and eyes closed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from bridge.calibration.evidence import Counts, Evidence, Fitted, Prediction
from bridge.calibration.labels import LabelError, Labels, Stretch
from bridge.calibration.separation import area_under_curve, d_prime
from bridge.calibration.trials import Run, Runner
from bridge.signals.types import Samples

PEAKS_HZ = tuple(np.arange(8.0, 12.01, 0.5).tolist())
AVERAGES_S = (1.0, 2.0, 4.0)
# On in so much of the time with closed eyes, and in no more than the rest of that with open eyes: what the
# shortest average must reach, for a longer one answers later.
_WISHED = 0.9
_SETTLES = 2.0  # of the averages' time constant, after the eyes have changed
_APART = 2.0  # of that time constant: values nearer to each other say much the same
_LEAST_S = 18.0
_LEAST_VALUES = 8
# Of 27 ways the best is taken: by chance that lies up to 2.9 standard errors off (one-sided, 5 %).
_LEAST_AREA = 0.8
_LEAST_ERRORS = 3.0


def fit_alpha(run: Runner, labels: Labels, **_: Any) -> Fitted:
    """From rests with open and with closed eyes. Raises LabelError without both, or without a rhythm."""
    opened, closed = labels.named("rest"), labels.named("closed")
    if sum(s.seconds for s in opened) < _LEAST_S or sum(s.seconds for s in closed) < _LEAST_S:
        raise LabelError(
            "the fit needs a rest with open eyes and one with closed eyes, twenty seconds of each"
        )
    chosen: _Tried | None = None
    for average_s in AVERAGES_S:
        every = [_try(run, peak_hz, average_s, opened, closed) for peak_hz in PEAKS_HZ]
        tried = [one for one in every if one is not None]
        if not tried:
            break
        best = max(tried, key=lambda one: one.rise)
        if chosen is None or best.right > chosen.right:
            chosen = best
        if chosen.right >= _WISHED:
            break
    if chosen is None:
        raise LabelError("the signal was bad for most of the rest: press the electrodes on and repeat it")
    area = area_under_curve(chosen.closed.tolist(), chosen.opened.tolist()) or 0.5
    error = _standard_error(area, len(chosen.closed), len(chosen.opened))
    if area < _LEAST_AREA or area - _LEAST_ERRORS * error < 0.5:
        raise LabelError(
            "closing the eyes hardly changes the rhythm of this signal (area under the curve "
            f"{area:.2f}, chance is 0.50 ± {error:.2f}): electrodes over the back of the head (O1, O2) show "
            "it best, and some people show little of it"
        )
    low, high, start = chosen.opened, chosen.closed, chosen.limit
    usual = float(np.median(low))
    # Back by a third of the way to what open eyes usually show.
    end = start - max(0.1, (start - usual) / 3)
    warnings = ["from rests with open and closed eyes on one day; what a day brings was not seen"]
    if chosen.right < _WISHED:
        warnings.append(
            f"on in {np.mean(high > start):.0%} of the time with closed and {np.mean(low > start):.0%} with "
            "open eyes: this person's rhythm does not tell the two well"
        )
    evidence = Evidence(
        counts=Counts({}, 0, 0, labels.minutes, rest_s=sum(s.seconds for s in opened)),
        d_prime=d_prime(high.tolist(), low.tolist()),
        area=area,
        prediction=Prediction(0, 0, 0, 0.0),
        levels={
            "peak": chosen.peak_hz,
            "contrast, eyes open": math.exp(usual),
            "contrast, eyes closed": math.exp(float(np.median(high))),
        },
        warnings=tuple(warnings),
    )
    settings = {
        "peak_hz": chosen.peak_hz,
        "average_s": chosen.average_s,
        "start_contrast": round(math.exp(start), 3),
        "end_contrast": round(math.exp(end), 3),
    }
    return Fitted("alpha", settings, evidence)


@dataclass(frozen=True, slots=True)
class _Tried:
    """The logarithms of the contrast with open and closed eyes, by one peak and average; where they part.

    ``right``: the share of time on the right side of ``limit``, eyes open and closed weighed alike.
    """

    peak_hz: float
    average_s: float
    opened: Samples
    closed: Samples
    limit: float
    right: float

    @property
    def rise(self) -> float:
        return float(np.median(self.closed) - np.median(self.opened))


def _try(
    run: Runner, peak_hz: float, average_s: float, opened: tuple[Stretch, ...], closed: tuple[Stretch, ...]
) -> _Tried | None:
    """None where the rests are too short for this average."""
    made = run({"peak_hz": peak_hz, "average_s": average_s})
    low, high = (_values(made, spans, average_s) for spans in (opened, closed))
    if min(len(low), len(high)) < _LEAST_VALUES:
        return None
    values = np.unique(np.concatenate([low, high]))
    between = (values[1:] + values[:-1]) / 2 if len(values) > 1 else values
    shares = [(float(np.mean(high > limit)) + float(np.mean(low <= limit))) / 2 for limit in between.tolist()]
    best = max(shares)
    # The middle of all limits that part them as well.
    limit = float(
        np.median([value for value, share in zip(between, shares, strict=True) if share >= best - 1e-9])
    )
    return _Tried(peak_hz, average_s, low, high, limit, best)


def _standard_error(area: float, ones: int, others: int) -> float:
    """Of an area under the curve from so many values each.

    Hanley & McNeil 1982, Radiology 143:29, from memory.
    """
    area = min(area, 1 - 0.5 / (ones * others))
    q1, q2 = area / (2 - area), 2 * area**2 / (1 + area)
    spread = area * (1 - area) + (ones - 1) * (q1 - area**2) + (others - 1) * (q2 - area**2)
    return math.sqrt(spread / (ones * others))


def _values(run: Run, stretches: tuple[Stretch, ...], average_s: float) -> Samples:
    """The logarithm of the contrast, after the averages have settled, as often as it says something new."""
    found: list[float] = []
    for stretch in stretches:
        time_s = stretch.start_s + _SETTLES * average_s
        while time_s < stretch.end_s:
            index = round(time_s * run.rate_hz) - run.first
            if 0 <= index < len(run.conditioned) and np.isfinite(run.conditioned[index]):
                found.append(float(run.conditioned[index]))
            time_s += _APART * average_s
    return np.asarray(found)
