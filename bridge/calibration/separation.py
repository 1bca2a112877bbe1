"""How well one number tells acts from everything else."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike


def d_prime(acts: ArrayLike, others: ArrayLike) -> float | None:
    """Sensitivity index: difference of the means over the root of the mean variance (n - 1).

    The form for unequal variances (Green & Swets 1966; Simpson & Fitter 1973 call it d_a). None when either
    side has fewer than two values or nothing varies.
    """
    a, b = np.asarray(acts, dtype=np.float64), np.asarray(others, dtype=np.float64)
    if a.size < 2 or b.size < 2:
        return None
    spread = math.sqrt((float(a.var(ddof=1)) + float(b.var(ddof=1))) / 2)
    if spread == 0:
        return None
    return float(a.mean() - b.mean()) / spread


def d_prime_of_rates(hit_rate: float, false_rate: float) -> float:
    """z(hits) - z(false alarms), the equal-variance form of a yes-no task. ValueError at 0 or 1."""
    from scipy.special import ndtri

    if not (0 < hit_rate < 1 and 0 < false_rate < 1):
        raise ValueError("rates of exactly 0 or 1 have no finite z")
    return float(ndtri(hit_rate) - ndtri(false_rate))


def area_under_curve(acts: ArrayLike, others: ArrayLike) -> float | None:
    """Area under the receiver operating characteristic: P(act > other) + P(equal) / 2.

    It equals the Mann-Whitney U over the product of the counts (Hanley & McNeil 1982). None when either side
    is empty.
    """
    a = np.asarray(acts, dtype=np.float64)
    b = np.sort(np.asarray(others, dtype=np.float64))
    if not a.size or not b.size:
        return None
    below = np.searchsorted(b, a, side="left")
    not_above = np.searchsorted(b, a, side="right")
    return float((below + not_above).sum()) / (2.0 * a.size * b.size)


def area_error(area: float, ones: int, others: int) -> float:
    """Standard error of an area under the curve from so many values each.

    Hanley & McNeil 1982, Radiology 143:29, from memory.
    """
    area = min(area, 1 - 0.5 / (ones * others))
    q1, q2 = area / (2 - area), 2 * area**2 / (1 + area)
    spread = area * (1 - area) + (ones - 1) * (q1 - area**2) + (others - 1) * (q2 - area**2)
    return math.sqrt(spread / (ones * others))
