"""Exact intervals for rates that were counted, and prediction intervals for what a next session will show.

Formulas need only ``scipy.special``; ``scipy.stats`` takes a second to import and is what the tests
compare with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Interval:
    """Both ends included; ``high`` may be infinite."""

    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    @property
    def width(self) -> float:
        return self.high - self.low


def binomial_interval(hits: int, trials: int, level: float = 0.95) -> Interval:
    """Exact two-sided interval of a proportion (Clopper & Pearson 1934, Biometrika 26:404).

    No trials say nothing: 0 to 1. Raises ValueError for impossible counts.
    """
    from scipy.special import betaincinv

    _check_hits(hits, trials)
    tail = _tail(level)
    low = 0.0 if hits == 0 else float(betaincinv(hits, trials - hits + 1, tail))
    high = 1.0 if hits == trials else float(betaincinv(hits + 1, trials - hits, 1 - tail))
    return Interval(low, high)


def poisson_interval(count: int, exposure: float, level: float = 0.95) -> Interval:
    """Exact two-sided interval of a rate: ``count`` events in ``exposure`` (say, minutes).

    Garwood 1936, Biometrika 28:437. No exposure says nothing: 0 to infinity. Raises ValueError for a
    negative count or exposure.
    """
    from scipy.special import gammaincinv

    _check_count(count, exposure)
    tail = _tail(level)
    if exposure == 0:
        return Interval(0.0, math.inf)
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    return Interval(low / exposure, float(gammaincinv(count + 1, 1 - tail)) / exposure)


def next_hits(hits: int, trials: int, next_trials: int, level: float = 0.95) -> Interval:
    """Prediction interval of the share of ``next_trials`` acts that will be found.

    Beta-binomial: the rate has Jeffreys' prior Beta(1/2, 1/2), ``hits`` of ``trials`` were seen, and the next
    trials are drawn with it. The shortest central set of counts with at least ``level`` inside, as a share.
    Raises ValueError for impossible counts or fewer than one next trial.
    """
    from scipy.special import betaln, gammaln

    _check_hits(hits, trials)
    if next_trials < 1:
        raise ValueError(f"a next session needs at least one act, not {next_trials}")
    a, b = hits + 0.5, trials - hits + 0.5
    k = np.arange(next_trials + 1)
    choose = gammaln(next_trials + 1) - gammaln(k + 1) - gammaln(next_trials - k + 1)
    mass = np.exp(choose + betaln(k + a, next_trials - k + b) - betaln(a, b))
    below = np.cumsum(mass)
    tail = _tail(level)
    low = int(np.searchsorted(below, tail, side="right"))
    high = int(np.searchsorted(below, 1 - tail, side="left"))
    return Interval(min(low, next_trials) / next_trials, min(high, next_trials) / next_trials)


def next_count_per(count: int, exposure: float, next_exposure: float, level: float = 0.95) -> Interval:
    """Prediction interval of the rate of events that ``next_exposure`` (say, minutes) will show.

    Gamma-Poisson: the rate has Jeffreys' prior, ``count`` events were seen in ``exposure``; the next count is
    then negative binomial with r = count + 1/2 and p = exposure / (exposure + next_exposure). Raises
    ValueError for a negative count or an exposure that is not above 0.
    """
    from scipy.special import betainc

    _check_count(count, exposure)
    if exposure == 0 or not 0 < next_exposure < math.inf:
        raise ValueError("both exposures must be above 0")
    r, p = count + 0.5, exposure / (exposure + next_exposure)
    tail = _tail(level)

    def quantile(share: float) -> int:
        upper = 1
        while betainc(r, upper + 1, p) < share:
            upper *= 2
        below = -1
        while upper - below > 1:
            middle = (upper + below) // 2
            if betainc(r, middle + 1, p) < share:
                below = middle
            else:
                upper = middle
        return upper

    return Interval(quantile(tail) / next_exposure, quantile(1 - tail) / next_exposure)


def _tail(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, not {level}")
    return (1 - level) / 2


def _check_hits(hits: int, trials: int) -> None:
    if not 0 <= hits <= trials:
        raise ValueError(f"{hits} hits in {trials} trials is impossible")


def _check_count(count: int, exposure: float) -> None:
    if count < 0 or not 0 <= exposure < math.inf:
        raise ValueError(f"{count} events in an exposure of {exposure} is impossible")
