"""Figures of one or several scored recordings.

Gross figures add the counts of all recordings up, average figures are the mean of each recording's own
(ANSI/AAMI EC57 asks for both, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from bridge.calibration.intervals import Interval, binomial_interval, poisson_interval
from bridge.evaluation.families import Mark
from bridge.evaluation.matching import Matching
from bridge.signals.types import Event


@dataclass(frozen=True, slots=True)
class Score:
    """Counts of one recording, or of several added up.

    ``seconds`` is the whole signal, ``scored_seconds`` without the learning time. ``latencies_s`` are
    ``decided`` minus the reference's onset, for instants only.
    """

    true_positives: int
    false_negatives: int
    false_positives: int
    passed_over: int
    latencies_s: tuple[float, ...]
    seconds: float
    scored_seconds: float
    cpu_seconds: float

    @property
    def reference(self) -> int:
        return self.true_positives + self.false_negatives

    @property
    def detected(self) -> int:
        return self.true_positives + self.false_positives

    @property
    def sensitivity(self) -> float:
        """Share of the references found; NaN without any."""
        return self.true_positives / self.reference if self.reference else math.nan

    @property
    def ppv(self) -> float:
        """Positive predictive value: share of the detections that are true; NaN without any."""
        return self.true_positives / self.detected if self.detected else math.nan

    @property
    def f1(self) -> float:
        """Harmonic mean of the two; NaN where there was nothing to find and nothing was found."""
        total = self.reference + self.detected
        return 2 * self.true_positives / total if total else math.nan

    @property
    def false_per_minute(self) -> float:
        return self.false_positives / (self.scored_seconds / 60) if self.scored_seconds > 0 else math.nan

    def to_json(self) -> dict[str, Any]:
        """Plain numbers; None where there is nothing to divide by."""
        rate = poisson_interval(self.false_positives, self.scored_seconds / 60)
        return {
            "reference": self.reference,
            "detected": self.detected,
            "true_positives": self.true_positives,
            "false_negatives": self.false_negatives,
            "false_positives": self.false_positives,
            "sensitivity": _number(self.sensitivity),
            "ppv": _number(self.ppv),
            "f1": _number(self.f1),
            "false_per_minute": _number(self.false_per_minute),
            "latency_ms": latency_ms(self.latencies_s),
            "seconds": self.seconds,
            "cpu_seconds": self.cpu_seconds,
            "scored_seconds": self.scored_seconds,
            "passed_over": self.passed_over,
            "intervals_95": {
                "sensitivity": _ends(binomial_interval(self.true_positives, self.reference)),
                "ppv": _ends(binomial_interval(self.true_positives, self.detected)),
                "false_per_minute": _ends(rate),
            },
        }


def score(matching: Matching, seconds: float, scored_seconds: float, cpu_seconds: float) -> Score:
    return Score(
        true_positives=len(matching.found),
        false_negatives=len(matching.missed),
        false_positives=len(matching.false_alarms),
        passed_over=len(matching.passed_over),
        latencies_s=tuple(_latency_s(mark, event) for mark, event in matching.found if not mark.is_interval),
        seconds=seconds,
        scored_seconds=scored_seconds,
        cpu_seconds=cpu_seconds,
    )


def gross(scores: Sequence[Score]) -> Score:
    """The counts of all recordings added up."""
    return Score(
        true_positives=sum(item.true_positives for item in scores),
        false_negatives=sum(item.false_negatives for item in scores),
        false_positives=sum(item.false_positives for item in scores),
        passed_over=sum(item.passed_over for item in scores),
        latencies_s=tuple(latency for item in scores for latency in item.latencies_s),
        seconds=sum(item.seconds for item in scores),
        scored_seconds=sum(item.scored_seconds for item in scores),
        cpu_seconds=sum(item.cpu_seconds for item in scores),
    )


def average(scores: Sequence[Score]) -> dict[str, float | None]:
    """Mean over the recordings of each figure, recordings where it has no value left out."""
    return {
        name: _mean([getattr(item, name) for item in scores])
        for name in ("sensitivity", "ppv", "f1", "false_per_minute")
    }


def latency_ms(latencies_s: Sequence[float]) -> dict[str, float | None]:
    import numpy as np

    if not latencies_s:
        return {"median": None, "p95": None, "max": None}
    values = np.asarray(latencies_s) * 1000
    return {
        "median": round(float(np.median(values)), 3),
        "p95": round(float(np.percentile(values, 95)), 3),
        "max": round(float(values.max()), 3),
    }


def _latency_s(mark: Mark, event: Event) -> float:
    return event.decided - mark.onset_s


def _mean(values: Sequence[float]) -> float | None:
    known = [value for value in values if not math.isnan(value)]
    return sum(known) / len(known) if known else None


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _ends(interval: Interval) -> list[float | None]:
    return [_number(interval.low), _number(interval.high)]
