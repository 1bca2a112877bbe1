"""The eyes-closed rhythm: this person's own peak, and thresholds between eyes open and eyes closed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from bridge.calibration.evidence import Counts, Evidence, Fitted, Prediction
from bridge.calibration.labels import LabelError, Labels, Stretch
from bridge.calibration.separation import area_under_curve, d_prime
from bridge.calibration.trials import Run, Runner
from bridge.signals.types import Samples

PEAKS_HZ = tuple(np.arange(8.0, 12.01, 0.5).tolist())
_SETTLE_S = 3.0  # the detector's averages, after the eyes have changed
_PIECE_S = 1.0  # values nearer to each other than the averaging are the same value
_LEAST_S = 8.0
_LEAST_AREA = 0.8  # of nine peaks the best is taken: chance alone reaches 0.7


def fit_alpha(run: Runner, labels: Labels, **_: Any) -> Fitted:
    """From a rest with open and one with closed eyes. Raises LabelError without both, or without a rhythm."""
    opened, closed = labels.named("rest"), labels.named("closed")
    if sum(s.seconds for s in opened) < _LEAST_S or sum(s.seconds for s in closed) < _LEAST_S:
        raise LabelError("the fit needs a rest with open eyes and one with closed eyes, ten seconds of each")
    best: tuple[float, float, Samples, Samples] | None = None
    for peak_hz in PEAKS_HZ:
        made = run({"peak_hz": peak_hz})
        low, high = _values(made, opened), _values(made, closed)
        if len(low) < 5 or len(high) < 5:
            raise LabelError("the signal was bad for most of the rest: press the electrodes on and repeat it")
        rise = float(np.median(high) - np.median(low))
        if best is None or rise > best[0]:
            best = (rise, peak_hz, low, high)
    assert best is not None
    rise, peak_hz, low, high = best
    area = area_under_curve(high.tolist(), low.tolist())
    if area is None or area < _LEAST_AREA or rise <= 0:
        raise LabelError(
            "closing the eyes hardly changes the rhythm of this signal (area under the curve "
            f"{area or 0.5:.2f}): electrodes over the back of the head (O1, O2) show it best, and some "
            "people show little of it"
        )
    # Half way between what open eyes hardly pass and what closed eyes usually reach, and back by a third.
    top, usual = float(np.quantile(low, 0.95)), float(np.median(high))
    start = max((top + usual) / 2, float(np.median(low)) + 0.1)
    end = start - max(0.1, (start - float(np.median(low))) / 3)
    evidence = Evidence(
        counts=Counts({}, 0, 0, labels.minutes, rest_s=sum(s.seconds for s in opened)),
        d_prime=d_prime(high.tolist(), low.tolist()),
        area=area,
        prediction=Prediction(0, 0, 0, 0.0),
        levels={
            "peak": peak_hz,
            "contrast, eyes open": math.exp(float(np.median(low))),
            "contrast, eyes closed": math.exp(usual),
        },
        warnings=("from one rest with open and one with closed eyes; what a day brings was not seen",),
    )
    settings = {
        "peak_hz": peak_hz,
        "start_contrast": round(math.exp(start), 3),
        "end_contrast": round(math.exp(end), 3),
    }
    return Fitted("alpha", settings, evidence)


def _values(run: Run, stretches: tuple[Stretch, ...]) -> Samples:
    """The logarithm of the contrast once a second, after the averages have settled."""
    found: list[float] = []
    for stretch in stretches:
        time_s = stretch.start_s + _SETTLE_S
        while time_s < stretch.end_s:
            index = round(time_s * run.rate_hz) - run.first
            if 0 <= index < len(run.conditioned) and np.isfinite(run.conditioned[index]):
                found.append(float(run.conditioned[index]))
            time_s += _PIECE_S
    return np.asarray(found)
