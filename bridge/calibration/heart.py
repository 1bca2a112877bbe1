"""Heartbeats need rest only: there is nothing to choose, but whether they are seen at all is worth saying."""

from __future__ import annotations

from typing import Any

import numpy as np

from bridge.calibration.evidence import Counts, Evidence, Fitted, Prediction
from bridge.calibration.labels import LabelError, Labels
from bridge.calibration.trials import Runner, judge
from bridge.calibration.tuning import starts

_LEAST_BEATS = 10
# Rest lies between 60 and 100 a minute (common practice); people at rest outside these are rare.
_SLOWEST, _FASTEST = 40.0, 130.0
# An interval more than a fifth off the one before is set aside (Malik's rule, as analysis libraries have it).
_OFF = 0.2
_MOST_IRREGULAR = 0.2


def fit_heartbeat(run: Runner, labels: Labels, **_: Any) -> Fitted:
    """Evidence from rest, or from labelled beats where there are some. Raises LabelError without beats."""
    result = run({})
    events = starts(result, ["heartbeat"])
    stretches = labels.named("rest") or labels.counted
    beats = [event for event in events if any(event.onset in stretch for stretch in stretches)]
    minutes = sum(stretch.seconds for stretch in stretches) / 60
    if len(beats) < _LEAST_BEATS:
        raise LabelError(
            f"only {len(beats)} heartbeats in {minutes:.1f} min of rest: are the electrodes on both sides "
            "of the heart?"
        )
    onsets = np.array([event.onset for event in beats])
    intervals = np.diff(onsets)
    intervals = intervals[intervals < 3.0]
    rate = 60.0 / float(np.median(intervals))
    irregular = (
        float(np.mean(np.abs(np.diff(intervals)) > _OFF * intervals[:-1])) if len(intervals) > 1 else 0.0
    )
    warnings = []
    if not _SLOWEST <= rate <= _FASTEST:
        warnings.append(f"{rate:.0f} beats a minute at rest is unusual: look at the trace before trusting it")
    if irregular > _MOST_IRREGULAR:
        warnings.append(
            f"{irregular:.0%} of the intervals differ by more than a fifth from the one before: beats are "
            "missed, others are seen twice, or the rhythm is irregular"
        )
    trial = judge({}, events, labels, None)
    labelled = bool(labels.firm)
    if not labelled:
        warnings.append(
            "nothing was labelled: how many beats are found is not known, only how regular they are"
        )
    amplitudes = tuple(abs(event.values.get("amplitude", 0.0)) for event in beats)
    evidence = Evidence(
        counts=Counts({"heartbeat": len(labels.firm)}, trial.hits, 0, labels.minutes, rest_s=60 * minutes),
        d_prime=None,
        area=None,
        prediction=Prediction(
            trial.hits,
            len(labels.firm),
            len(trial.false) if labelled else 0,
            labels.minutes if labelled else 0.0,
        ),
        latency_s=(
            float(np.median([event.decided - event.onset for event in beats])),
            float(np.quantile([event.decided - event.onset for event in beats], 0.95)),
        ),
        acts_sizes=amplitudes,
        levels={"rate": rate, "irregular": irregular},
        warnings=tuple(warnings),
    )
    return Fitted("heartbeat", {}, evidence)
