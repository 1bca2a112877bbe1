"""The eyes-closed rhythm: this person's own peak, and thresholds between eyes open and eyes closed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bridge.calibration.evidence import Counts, Evidence, Fitted, Prediction
from bridge.calibration.labels import LabelError, Labels, Stretch
from bridge.calibration.separation import area_error, area_under_curve, d_prime
from bridge.calibration.trials import Run, Runner
from bridge.detectors.alpha import AlphaSettings
from bridge.signals.types import Samples

PEAKS_HZ = tuple(np.arange(8.0, 13.01, 0.5).tolist())
# The wider band gathers more; beside a rhythm that open eyes do not stop only a narrow one tells.
HALF_WIDTHS_HZ = (2.0, 1.0)
AVERAGES_S = (1.0, 2.0, 4.0)
# On in so much of the time with closed eyes, and in no more than the rest of that with open eyes: what the
# shortest average must reach, for a longer one answers later.
_WISHED = 0.9
_SETTLES = 2.0  # of the averages' time constant, after the eyes have changed
_APART = 2.0  # of that time constant: values nearer to each other say much the same
_LEAST_S = 18.0
_LEAST_VALUES = 8
_STEP_S = 0.1
_LIMITS = 49
# Of 66 ways the best is taken: by chance that lies up to 3.2 standard errors off (one-sided, 5 %).
_LEAST_AREA = 0.8
_LEAST_ERRORS = 3.2


def fit_alpha(run: Runner, labels: Labels, **_: Any) -> Fitted:
    """From rests with open and with closed eyes. Raises LabelError without both, or without a rhythm."""
    opened, closed = labels.named("rest"), labels.named("closed")
    if sum(s.seconds for s in opened) < _LEAST_S or sum(s.seconds for s in closed) < _LEAST_S:
        raise LabelError(
            "the fit needs a rest with open eyes and one with closed eyes, twenty seconds of each"
        )
    chosen: _Chosen | None = None
    for average_s in AVERAGES_S:
        every = [
            _try(run, peak_hz, half_width_hz, average_s, opened, closed)
            for half_width_hz in HALF_WIDTHS_HZ
            for peak_hz in PEAKS_HZ
        ]
        tried = [one for one in every if one is not None]
        if not tried:
            break
        limits = _limits(max(tried, key=lambda one: (one.area, one.rise)))
        if chosen is None or limits.right > chosen.right:
            chosen = limits
        if chosen.is_wished:
            break
    if chosen is None:
        raise LabelError("the signal was bad for most of the rest: press the electrodes on and repeat it")
    best = chosen.tried
    area, low, high = best.area, best.values(best.opened), best.values(best.closed)
    error = area_error(area, len(high), len(low))
    if area < _LEAST_AREA or area - _LEAST_ERRORS * error < 0.5:
        raise LabelError(
            "closing the eyes hardly changes the rhythm of this signal (area under the curve "
            f"{area:.2f}, chance is 0.50 ± {error:.2f}): electrodes over the back of the head (O1, O2) show "
            "it best, and some people show little of it"
        )
    warnings = ["from rests with open and closed eyes on one day; what a day brings was not seen"]
    if not chosen.is_wished:
        warnings.append(
            f"on in {chosen.on_closed:.0%} of the time with closed and {chosen.on_open:.0%} with "
            "open eyes: this person's rhythm does not tell the two well"
        )
    evidence = Evidence(
        counts=Counts({}, 0, 0, labels.minutes, rest_s=sum(s.seconds for s in opened)),
        d_prime=d_prime(high.tolist(), low.tolist()),
        area=area,
        prediction=Prediction(0, 0, 0, 0.0),
        levels={
            "peak": best.peak_hz,
            "contrast, eyes open": math.exp(float(np.median(low))),
            "contrast, eyes closed": math.exp(float(np.median(high))),
        },
        warnings=tuple(warnings),
    )
    settings = {
        "peak_hz": best.peak_hz,
        "half_width_hz": best.half_width_hz,
        "average_s": best.average_s,
        "start_contrast": round(math.exp(chosen.start), 3),
        "end_contrast": round(math.exp(chosen.end), 3),
    }
    return Fitted("alpha", settings, evidence)


@dataclass(frozen=True, slots=True)
class _Tried:
    """The logarithms of the contrast with open and closed eyes, by one band and average.

    A row for each rest, from when the averages have settled, a value every tenth of a second.
    """

    peak_hz: float
    half_width_hz: float
    average_s: float
    opened: tuple[Samples, ...]
    closed: tuple[Samples, ...]

    def values(self, rows: Sequence[Samples]) -> Samples:
        """As often as a value says something new."""
        every = round(_APART * self.average_s / _STEP_S)
        return np.concatenate([row[::every] for row in rows]) if rows else np.empty(0)

    @property
    def area(self) -> float:
        return area_under_curve(self.values(self.closed), self.values(self.opened)) or 0.0

    @property
    def rise(self) -> float:
        return float(np.median(self.values(self.closed)) - np.median(self.values(self.opened)))


@dataclass(frozen=True, slots=True)
class _Chosen:
    """Where the rhythm starts and ends, and in which share of the time with closed and open eyes it is on."""

    tried: _Tried
    start: float
    end: float
    on_closed: float
    on_open: float

    @property
    def right(self) -> float:
        return (self.on_closed + 1 - self.on_open) / 2

    @property
    def is_wished(self) -> bool:
        return self.on_closed >= _WISHED and self.on_open <= 1 - _WISHED


def _try(
    run: Runner,
    peak_hz: float,
    half_width_hz: float,
    average_s: float,
    opened: tuple[Stretch, ...],
    closed: tuple[Stretch, ...],
) -> _Tried | None:
    """None where the rests are too short for this average."""
    made = run({"peak_hz": peak_hz, "half_width_hz": half_width_hz, "average_s": average_s})
    rows = (_rows(made, spans, average_s) for spans in (opened, closed))
    tried = _Tried(peak_hz, half_width_hz, average_s, *rows)
    fewest = min(len(tried.values(tried.opened)), len(tried.values(tried.closed)))
    return tried if fewest >= _LEAST_VALUES else None


def _rows(run: Run, stretches: tuple[Stretch, ...], average_s: float) -> tuple[Samples, ...]:
    """The logarithm of the contrast in each stretch, without what is not known."""
    rows = []
    for stretch in stretches:
        times = np.arange(stretch.start_s + _SETTLES * average_s, stretch.end_s, _STEP_S)
        index = np.round(times * run.rate_hz).astype(int) - run.first
        row = run.conditioned[index[(index >= 0) & (index < len(run.conditioned))]]
        rows.append(np.asarray(row[np.isfinite(row)]))
    return tuple(rows)


def _limits(tried: _Tried) -> _Chosen:
    """The limits with which the detector is on when it should be most of the time.

    Of limits that do equally well the middle.
    """
    usual = float(np.median(tried.values(tried.opened)))
    both = np.concatenate([tried.values(tried.opened), tried.values(tried.closed)])
    options = []
    for start in np.unique(np.quantile(both, np.linspace(0.02, 0.98, _LIMITS))).tolist():
        # Back by a third of the way to what open eyes usually show.
        end = start - max(0.1, (start - usual) / 3)
        options.append(
            _Chosen(tried, start, end, _on(tried.closed, start, end), _on(tried.opened, start, end))
        )
    best = max(option.right for option in options)
    equal = [option for option in options if option.right >= best - 1e-9]
    return equal[len(equal) // 2]


def _on(rows: Sequence[Samples], start: float, end: float) -> float:
    """The share of the time in which a detector with these limits is on; it is off when a row begins."""
    least = round(AlphaSettings().lasting_s / _STEP_S)
    on_steps = steps = 0
    for row in rows:
        on, beyond = False, 0
        for value in row.tolist():
            beyond = beyond + 1 if (value < end if on else value > start) else 0
            if beyond >= least:
                on, beyond = not on, 0
            on_steps += on
        steps += len(row)
    return on_steps / steps if steps else 0.0
