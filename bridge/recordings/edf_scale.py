"""How physical values become whole codes: step, digital range, and a second signal where 24 bits are too few.

European Data Format "plus" specification, section 2.1. A physical value is digital × (physical range ÷
digital range); here both ranges are symmetric, so a zero stays a zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from bridge.signals.types import Channel, Samples

BITS_16 = 2**15 - 1
BITS_24 = 2**23 - 1
# Of a channel whose rails are unknown, whole numbers up to here are taken for a converter of 12 bits or less.
_SMALL_COUNTS = 8192
# A muscle's voluntary maximum is some fifty times its rest (from memory); later values may be so much larger.
_ROOM = 64
_PLENTY = 7_999_999  # nearly all of 24 bits, and a round number for the header
_MOST = _PLENTY * 10**6  # codes that two signals of 24 bits hold
_DECIMALS = 9
_GRID_LIMIT = 10**11  # codes; beyond it decimals are no grid but what a division left


@dataclass(frozen=True, slots=True)
class Scale:
    """value = code × step. Above ±``bound`` codes are cut; ``-limit × factor`` stands for a missing sample.

    A factor above 1 spreads a code over two signals: code = main × factor + remainder. The main one alone
    shows the value to half a factor of steps.
    """

    step: float
    limit: int  # of the main signal, both ways
    physical: str  # its physical maximum as the header has it
    factor: int = 1
    remainder_limit: int = 0
    remainder_physical: str = ""
    exact: bool = True  # whether the header's numbers tell the step to the last bit

    @property
    def bound(self) -> int:
        return (self.limit - 1) * self.factor

    def encode(self, values: Samples) -> NDArray[np.int64]:
        """Codes of one channel's values; what is not finite is missing."""
        finite = np.isfinite(values)
        with np.errstate(over="ignore"):
            codes = np.rint(np.where(finite, values, 0.0) / self.step)
        codes = np.clip(codes, -self.bound, self.bound)
        return np.where(finite, codes, -self.limit * self.factor).astype(np.int64)

    def convert(self, codes: NDArray[np.int64], older: Scale) -> NDArray[np.int64]:
        """Codes of an ``older`` scale in this one, whose step is the same or a whole part of it."""
        missing = codes == -older.limit * older.factor
        same = np.rint(np.where(missing, 0, codes) * (older.step / self.step))  # at most 8e12: exact
        return np.where(missing, -self.limit * self.factor, same).astype(np.int64)


def scales_for(
    channels: Sequence[Channel], first_samples: Samples, *, least_width: int = 2
) -> tuple[list[Scale], int]:
    """A scale for each channel, and the bytes a sample (2: EDF+, 3: BDF+ because 16 bits are too few).

    ``first_samples`` (n, channels) tell the step and size of channels that do not state them. Where rails are
    unknown the range is far wider than what was seen at first: a muscle at rest says little of one at work.
    """
    wanted: list[tuple[float, int]] = []
    for column, channel in enumerate(channels):
        values = first_samples[:, column]
        values = values[np.isfinite(values)]
        step = channel.step or _step_seen(values)
        rails = [abs(rail) for rail in (channel.low, channel.high) if math.isfinite(rail)]
        seen = _seen(values, step)
        if len(rails) == 2:
            largest = max(seen, math.ceil(max(rails) / step - 1e-6))
        elif step == 1.0 and seen < _SMALL_COUNTS:
            largest = BITS_16 - 1
        else:
            largest = _roomy(seen)
        wanted.append((step, largest))
    return _fitted(wanted, least_width)


def wider_scales(
    channels: Sequence[Channel],
    scales: Sequence[Scale],
    samples: Samples,
    largest_before: Samples,
    *,
    least_width: int,
) -> tuple[list[Scale], int] | None:
    """Scales that hold ``samples`` (n, channels) too, if ``scales`` do not: more room, or a finer step.

    Every code so far keeps its place; ``largest_before`` (channels,) tells how far they reach, as values.
    None: nothing needs to change.
    """
    wanted: list[tuple[float, int]] = []
    changed = False
    for column, (channel, scale) in enumerate(zip(channels, scales, strict=True)):
        values = samples[:, column]
        values = values[np.isfinite(values)]
        step, largest = scale.step, scale.bound
        reach = np.append(values, min(largest_before[column], scale.bound * step))
        if not channel.step and not _lies_on(values, step):
            # What an old step of a ten-millionth of the values rounds away is beyond any converter.
            finest = _step_seen(values)
            while step > _size(values) * 1e-7 and step > finest and _seen(reach, step) * 10 <= _MOST:
                step = _power_of_ten(step / 10)
        if step != scale.step or _seen(reach, step) > largest:
            largest = _roomy(_seen(reach, step))
        changed = changed or step != scale.step or largest > scale.bound
        wanted.append((step, largest))
    return _fitted(wanted, least_width) if changed else None


def _roomy(seen: int) -> int:
    """24 bits if they hold what was seen, twice over; else so much that two signals will do for good."""
    return _PLENTY if 2 * seen <= _PLENTY else min(seen * _ROOM, _MOST)


def _seen(values: Samples, step: float) -> int:
    """The largest code, as far as any file holds it."""
    return math.ceil(min(float(np.abs(values).max()) / step, _MOST)) if values.size else 0


def _step_seen(values: Samples) -> float:
    """The decimal place that all values have; if they have none, far less than any converter resolves."""
    for digits in range(_DECIMALS + 1):
        if _seen(values, 10.0**-digits) > _GRID_LIMIT:
            break
        if _lies_on(values, float(f"1e-{digits}")):
            return float(f"1e-{digits}")
    return _power_of_ten(_size(values) * 1e-8)


def _lies_on(values: Samples, step: float) -> bool:
    """Whether all values are whole multiples of a power of ten, but for the last bit of a float."""
    with np.errstate(over="ignore"):
        back = np.rint(values / step) * step
    return bool(np.all(np.abs(back - values) <= 1e-15 * np.abs(values)))


def _size(values: Samples) -> float:
    """What most values stay within: a single wild one says nothing of the signal."""
    size = float(np.quantile(np.abs(values), 0.9))
    return size if size > 0 else float(np.abs(values).max())


def _power_of_ten(value: float) -> float:
    """The one at or below ``value``, as exact as a float can be, and no wilder than the header can tell."""
    value = min(max(value, 1e-280), 1e280)
    return float(f"1e{math.floor(math.log10(value) + 1e-9)}")


def _fitted(wanted: Sequence[tuple[float, int]], least_width: int) -> tuple[list[Scale], int]:
    width = least_width if all(largest < BITS_16 for _, largest in wanted) else 3
    top = BITS_16 if width == 2 else BITS_24
    return [_scale(step, min(largest, _MOST), top) for step, largest in wanted], width


def _scale(step: float, largest: int, top: int) -> Scale:
    if largest < top:
        limit, physical, exact = _range(step, largest, top)
        return Scale(step, limit, physical, exact=exact)
    factor = 10 ** math.ceil(math.log10(largest / _PLENTY) - 1e-12)
    limit, physical, _ = _range(step * factor, math.ceil(largest / factor), top)
    remainder_limit, remainder_physical, exact = _range(step, factor // 2, top)
    return Scale(step, limit, physical, factor, remainder_limit, remainder_physical, exact)


def _range(step: float, largest: int, top: int) -> tuple[int, str, bool]:
    """The digital range whose physical end has an exact text of seven characters, else the nearest."""
    powers = [2**k for k in range(top.bit_length(), 3, -1)]
    rounds = [m * 10**k for k in range(7, 0, -1) for m in (8, 5, 4, 3, 2, 1)]
    exact_step = Fraction(step).limit_denominator(10**12) if step > 1e-9 else Fraction(step)
    best = (math.inf, top, "")
    for limit in (limit for limit in (top, *powers, *rounds) if largest < limit <= top):
        text = _number_text(exact_step * limit)
        error = abs(float(text) / limit / step - 1)
        if error < 5e-16:
            return limit, text, True
        best = min(best, (error, limit, text))
    return best[1], best[2], False


def _number_text(value: Fraction) -> str:
    """The nearest of at most seven characters, so that a minus sign still fits; else with an exponent."""
    texts = [f"{float(value):.{digits}f}" for digits in range(6, -1, -1)]
    texts = [text.rstrip("0").rstrip(".") if "." in text else text for text in texts]
    for digits in range(5, -1, -1):
        mantissa, _, exponent = f"{float(value):.{digits}e}".partition("e")
        texts.append(f"{mantissa.rstrip('0').rstrip('.') if '.' in mantissa else mantissa}e{int(exponent)}")
    short = [text for text in texts if len(text) <= 7 and float(text) > 0]
    return min(short, key=lambda text: abs(Fraction(text) - value))
