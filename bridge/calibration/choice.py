"""Choosing a rung: the one with the least cost, judged on acts and minutes it was not chosen on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.calibration.labels import Labels
from bridge.calibration.trials import Trial
from bridge.signals.types import Samples

FOLDS = 10
_LONGEST_CHUNK_S = 10.0
# A session today and one tomorrow differ in gain; a value is judged together with its neighbours.
_REACH = 0.15  # natural logarithm


@dataclass(frozen=True, slots=True)
class Held:
    """Counts on what was held out of the choice."""

    hits: int
    acts: int
    false: int
    minutes: float


@dataclass(frozen=True, slots=True)
class Cost:
    """What a mistake costs. ``ratio``: misses that one false activation is worth.

    ``acts_per_minute``: how often the person means to act in use, which turns a share of misses into a rate.
    """

    ratio: float
    acts_per_minute: float

    def per_minute(self, hit_rate: float, false_per_minute: float) -> float:
        return self.ratio * false_per_minute + self.acts_per_minute * (1.0 - hit_rate)

    def error(self, held: Held) -> float:
        """Standard error of the cost a minute: binomial for hits, Poisson for false activations."""
        rate = (held.hits + 1) / (held.acts + 2)
        missing = self.acts_per_minute * math.sqrt(rate * (1 - rate) / held.acts)
        return math.hypot(missing, self.ratio * math.sqrt(held.false + 1) / held.minutes)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """All trials as arrays: found (values, acts), false activations (values, folds), minutes (folds)."""

    values: Samples
    found: NDArray[np.bool_]
    act_fold: NDArray[np.int64]
    false: NDArray[np.int64]
    minutes: Samples

    def hit_rate(self, acts: NDArray[np.bool_] | None = None) -> Samples:
        found = self.found if acts is None else self.found[:, acts]
        return np.asarray(found.mean(axis=1), dtype=np.float64)

    def false_rate(self, folds: NDArray[np.bool_] | None = None) -> Samples:
        chosen = slice(None) if folds is None else folds
        return np.asarray(self.false[:, chosen].sum(axis=1) / self.minutes[chosen].sum(), dtype=np.float64)


def table(trials: Sequence[Trial], labels: Labels, values: Sequence[float]) -> Table:
    """Cut time half way between acts (and every 10 s), and deal the pieces out to ten folds."""
    cuts = edges(labels)
    folds = min(FOLDS, max(2, len(labels.firm)))

    def fold_of(time_s: float) -> int:
        return (int(np.searchsorted(cuts, time_s, side="right")) - 1) % folds

    false = np.zeros((len(trials), folds), dtype=np.int64)
    for row, trial in enumerate(trials):
        for event in trial.false:
            false[row, fold_of(event.onset)] += 1
    minutes = np.zeros(folds)
    for low, high in pairwise(cuts):
        inside = sum(max(0.0, min(high, s.end_s) - max(low, s.start_s)) for s in labels.counted)
        minutes[fold_of(low)] += inside / 60
    return Table(
        values=np.asarray(values, dtype=np.float64),
        found=np.array([[answer is not None for answer in trial.answers] for trial in trials]),
        act_fold=np.array([fold_of(act.time_s) for act in labels.firm], dtype=np.int64),
        false=false,
        minutes=minutes,
    )


def edges(labels: Labels) -> list[float]:
    """Where time is cut for folds: half way between firm acts, and at least every 10 s; ascending."""
    start_s = min(s.start_s for s in labels.counted)
    end_s = max(s.end_s for s in labels.counted)
    times = [act.time_s for act in labels.firm]
    cuts = [start_s, *((a + b) / 2 for a, b in pairwise(times)), end_s]
    found = [start_s]
    for cut in sorted(cuts)[1:]:
        pieces = max(1, int(np.ceil((cut - found[-1]) / _LONGEST_CHUNK_S)))
        found.extend(np.linspace(found[-1], cut, pieces + 1)[1:].tolist())
    return found


def costs(table_: Table, cost: Cost, held_out: int | None = None) -> Samples:
    """Cost a minute of each value, smoothed over its neighbours; without one fold where that is given."""
    acts = None if held_out is None else table_.act_fold != held_out
    folds = None if held_out is None else np.arange(table_.false.shape[1]) != held_out
    raw = cost.ratio * table_.false_rate(folds) + cost.acts_per_minute * (1 - table_.hit_rate(acts))
    return smoothed(raw, table_.values)


def smoothed(raw: Samples, values: Samples) -> Samples:
    """A mean over neighbours within a sixth, nearer ones and wider spaced ones weighing more."""
    at = np.log(values)
    spacing = np.gradient(at) if len(at) > 1 else np.ones(1)
    weights = np.clip(1 - np.abs(at[:, None] - at[None, :]) / _REACH, 0, None) * spacing[None, :]
    return np.asarray(weights @ raw / weights.sum(axis=1), dtype=np.float64)


def choose(
    table_: Table,
    cost: Cost,
    own: float | None = None,
    safe: float | None = None,
    held_out: int | None = None,
) -> int:
    """The row to take. A value that the detector has by itself is left only for a gain beyond one standard
    error (the one-standard-error rule of Breiman et al. 1984, from memory); else see ``cheapest``."""
    smooth = costs(table_, cost, held_out)
    slack = 0.0
    if own is not None:
        least = int(np.argmin(smooth))
        seen = Held(
            int(table_.found[least].sum()),
            table_.found.shape[1],
            int(table_.false[least].sum()),
            float(table_.minutes.sum()),
        )
        slack = cost.error(seen)
    return cheapest(table_.values, smooth, own, safe, slack)


def cheapest(
    values: Samples,
    costs_: Samples,
    own: float | None = None,
    safe: float | None = None,
    slack: float = 0.0,
) -> int:
    """Of the plateau round the least cost the middle, as far as can be from trouble on both sides.

    With ``own``, the value that the detector has by itself, the one nearest to it: few acts are no reason to
    leave what holds for many people. A plateau down to the lowest value is bounded by nothing that was seen;
    then it is the value nearest to ``safe``. Costs within ``slack`` of the least count as equal to it.
    """
    least = int(np.argmin(costs_))
    level = costs_[least] + slack + 1e-9
    low = high = least
    while low > 0 and costs_[low - 1] <= level:
        low -= 1
    while high < len(costs_) - 1 and costs_[high + 1] <= level:
        high += 1
    at = np.log(values[low : high + 1])
    wanted = (at[0] + at[-1]) / 2
    if own is not None:
        wanted = np.log(own)
    elif safe is not None and low == 0:
        wanted = np.log(safe)
    return low + int(np.argmin(np.abs(at - wanted)))


def cross_validated(
    table_: Table, cost: Cost, own: float | None = None, safe: float | None = None
) -> tuple[Held, ...]:
    """Choose on all folds but one, count on that one; each in turn."""
    held = []
    for fold in range(table_.false.shape[1]):
        rung = choose(table_, cost, own, safe, fold)
        held.append(in_fold(table_, rung, fold))
    return tuple(held)


def in_fold(table_: Table, rung: int, fold: int) -> Held:
    """What one value found in one fold."""
    here = table_.act_fold == fold
    return Held(
        int(table_.found[rung, here].sum()),
        int(here.sum()),
        int(table_.false[rung, fold]),
        float(table_.minutes[fold]),
    )
