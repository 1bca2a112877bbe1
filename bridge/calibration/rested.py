"""Drowsiness needs rest only: how long this person's blinks last when awake and rested."""

from __future__ import annotations

import numpy as np

from bridge.calibration.evidence import Counts, Evidence, Fitted, Prediction
from bridge.calibration.intervals import poisson_interval
from bridge.calibration.labels import LabelError, Labels
from bridge.calibration.trials import Runner
from bridge.calibration.tuning import starts

_LEAST_BLINKS = 5
# 17 blinks a minute at rest, 4.5 reading, 26 talking (Bentivoglio 1997).
_FEWEST, _MOST = 3.0, 60.0


def fit_drowsiness(blinks: Runner, labels: Labels) -> Fitted:
    """``blinks`` runs the blink detector. The mean duration of the blinks at rest becomes the baseline.

    Raises LabelError when too few blinks were seen.
    """
    stretches = labels.named("rest") or labels.counted
    events = [
        event
        for event in starts(blinks({}), ["blink"])
        if any(event.onset in stretch for stretch in stretches)
    ]
    minutes = sum(stretch.seconds for stretch in stretches) / 60
    if len(events) < _LEAST_BLINKS:
        raise LabelError(
            f"only {len(events)} blinks in {minutes:.1f} min of rest, {_LEAST_BLINKS} are needed: rest for "
            "longer, or look at the electrodes"
        )
    durations = np.array([event.values["duration"] for event in events])
    rate = len(events) / minutes
    rates = poisson_interval(len(events), minutes)
    warnings = [
        "a baseline of one rest on one day; whether a level means sleepiness was not measured on this person"
    ]
    if not _FEWEST <= rate <= _MOST:
        warnings.append(
            f"{rate:.0f} blinks a minute at rest is unusual: look at the trace before trusting it"
        )
    evidence = Evidence(
        counts=Counts({}, len(events), 0, minutes, rest_s=60 * minutes),
        d_prime=None,
        area=None,
        prediction=Prediction(0, 0, 0, 0.0),
        levels={
            "blinks a minute": rate,
            "blinks a minute, at least": rates.low,
            "blinks a minute, at most": rates.high,
            "mean duration": float(durations.mean()),
            "90th percentile of duration": float(np.quantile(durations, 0.9)),
        },
        warnings=tuple(warnings),
    )
    return Fitted("drowsiness", {"rested_duration_s": round(float(durations.mean()), 4)}, evidence)
