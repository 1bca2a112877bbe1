"""What is known about how well a person's settings work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from bridge.calibration.intervals import (
    Interval,
    binomial_interval,
    next_count_per,
    next_hits,
    poisson_interval,
)
from bridge.calibration.trials import Reaction
from bridge.signals.types import Samples


@dataclass(frozen=True, slots=True)
class Counts:
    """What a fit rests on. ``acts`` by kind; ``others``: like an act in shape, but not one."""

    acts: Mapping[str, int]
    found: int
    others: int
    minutes: float
    rest_s: float = 0.0
    everyday_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Prediction:
    """Counts on acts and minutes that the settings were not chosen on, and what follows from them."""

    hits: int
    acts: int
    false: int
    minutes: float

    @property
    def hit_rate(self) -> float:
        return self.hits / self.acts if self.acts else 0.0

    @property
    def false_per_minute(self) -> float:
        return self.false / self.minutes if self.minutes else 0.0

    @property
    def hit_interval(self) -> Interval:
        """Exact binomial 95 % interval."""
        return binomial_interval(self.hits, self.acts)

    @property
    def false_interval(self) -> Interval:
        """Exact Poisson 95 % interval, per minute."""
        return poisson_interval(self.false, self.minutes)

    def next_hits(self, acts: int) -> Interval:
        """95 % prediction interval of the hit rate in a next session of so many acts."""
        return next_hits(self.hits, self.acts, acts)

    def next_false(self, minutes: float) -> Interval:
        """95 % prediction interval of false activations a minute in a next session of so many minutes."""
        return next_count_per(self.false, self.minutes, minutes)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """The conditioned signal round the acts: rows of shape (acts, samples) from ``start_s`` in ``step_s``."""

    start_s: float
    step_s: float
    rows: Samples


@dataclass(frozen=True, slots=True)
class Proposal:
    """Something else the person can do, and what it is expected to bring.

    ``assumed`` says what the figures take for granted, where it was not measured.
    """

    name: str
    words: str
    settings: Mapping[str, float]
    within_s: float | None
    prediction: Prediction
    assumed: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a profile says about one detector beside its settings.

    ``curve``: setting, hit rate, false activations a minute at each value tried. ``threshold`` and the sizes
    are in ``unit``. ``verified``: found and asked in the step after the fit.
    """

    counts: Counts
    d_prime: float | None
    area: float | None
    prediction: Prediction
    default: Prediction | None = None
    verified: tuple[int, int] | None = None
    latency_s: tuple[float, float] | None = None
    reaction: Reaction | None = None
    ratio: float = 0.0
    setting: str = ""
    unit: str = ""
    threshold: float | None = None
    acts_sizes: tuple[float, ...] = ()
    other_sizes: tuple[float, ...] = ()
    curve: tuple[tuple[float, float, float], ...] = ()
    trace: Trace | None = None
    levels: Mapping[str, float] = field(default_factory=dict)
    proposals: tuple[Proposal, ...] = ()
    few: bool = False
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fitted:
    """Settings for one detector and the evidence for them."""

    detector: str
    settings: dict[str, Any]
    evidence: Evidence
