"""Figures by person: pooled, the lower quartile of people, and 95 % intervals over people.

Events of one person are alike, so intervals are over people: they are drawn anew with replacement 2000 times
(the percentile bootstrap of Efron 1979, from memory), seeded. One person alone has no interval.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

_DRAWS = 2000
Counts = NDArray[np.float64]
"""Of one person: found, missed, false, minutes."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with its 95 % interval over people; no interval for one person."""

    value: float
    low: float | None = None
    high: float | None = None

    def to_json(self) -> dict[str, float | None]:
        return {"value": self.value, "low": self.low, "high": self.high}


def counts(rows: Iterable[Mapping[str, Any]]) -> dict[str, Counts]:
    """By person, all recordings of one added up."""
    people: dict[str, Counts] = {}
    for row in rows:
        own = np.array([row["tp"], row["fn"], row["fp"], row["minutes"]], dtype=np.float64)
        people[row["person"]] = people.get(row["person"], np.zeros(4)) + own
    return people


def f1(table: Counts) -> Counts:
    """Of rows of counts; NaN where there was nothing to find and nothing was found."""
    found, missed, false = table[..., 0], table[..., 1], table[..., 2]
    with np.errstate(invalid="ignore"):
        return np.asarray(2 * found / (2 * found + missed + false))


def sensitivity(table: Counts) -> Counts:
    with np.errstate(invalid="ignore"):
        return np.asarray(table[..., 0] / (table[..., 0] + table[..., 1]))


def false_per_minute(table: Counts) -> Counts:
    return np.asarray(table[..., 2] / table[..., 3])


Rate = Callable[[Counts], Counts]


def pooled(people: Sequence[Counts], rate: Rate, seed: int = 0) -> Figure:
    """Counts of all people added up."""
    return _figure(np.asarray(people), lambda drawn: rate(drawn.sum(axis=-2)), seed)


def lower_quartile(people: Sequence[Counts], rate: Rate, seed: int = 0) -> Figure:
    """A quarter of the people have less."""
    return _figure(np.asarray(people), lambda drawn: np.nanquantile(rate(drawn), 0.25, axis=-1), seed)


def _figure(table: Counts, of: Rate, seed: int) -> Figure:
    value = float(of(table))
    if len(table) < 2:
        return Figure(value)
    random = np.random.default_rng(seed)
    draws = of(table[random.integers(0, len(table), (_DRAWS, len(table)))])
    low, high = np.nanquantile(draws, [0.025, 0.975])
    return Figure(value, float(low), float(high))


def summary(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """All figures of the rows of one set by one method."""
    by_person = counts(rows)
    people = list(by_person.values())
    latency = [row["latency"]["median"] for row in rows if row["latency"]["median"] is not None]
    ended = [
        row["after_end"]["median"] for row in rows if row.get("after_end") and row["after_end"]["median"]
    ]
    return {
        "people": len(people),
        "minutes": float(sum(item[3] for item in people)),
        "events": int(sum(item[0] + item[1] for item in people)),
        "f1": pooled(people, f1).to_json(),
        "sensitivity": pooled(people, sensitivity).to_json(),
        "false_per_minute": pooled(people, false_per_minute).to_json(),
        "lower_quartile_f1": lower_quartile(people, f1).to_json(),
        "lower_quartile_sensitivity": lower_quartile(people, sensitivity).to_json(),
        "latency_ms": float(np.median(latency)) if latency else None,
        "after_end_ms": float(np.median(ended)) if ended else None,
        "by_person": {name: float(f1(item)) for name, item in sorted(by_person.items())},
    }
