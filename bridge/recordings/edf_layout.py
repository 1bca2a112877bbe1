"""How samples are laid out in an EDF+ or BDF+ file: digital ranges, record length, header text.

European Data Format "plus" specification, sections 2.1 and 2.2. A physical value is
digital × (physical range ÷ digital range); here both ranges are symmetric, so a zero stays a zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

import numpy as np

from bridge.recordings.edf_file import EQUIPMENT, duration_text
from bridge.signals.types import Channel, Samples, StreamInfo

BITS_16 = 2**15 - 1
BITS_24 = 2**23 - 1
# Of a channel whose rails are unknown, whole numbers up to here are taken for a converter of 12 bits or less.
_SMALL_COUNTS = 8192
# A muscle's voluntary maximum is some fifty times its rest (from memory); later values may be so much larger.
_ROOM = 64
_RECORD_LIMIT = 61_440  # bytes; the specification's advice for one data record
ANNOTATION_BYTES = 480
# The eight bytes that open a BDF header, as that format prescribes.
_BDF_MARK = bytes.fromhex("ff42494f53454d49")
_MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")


@dataclass(frozen=True, slots=True)
class Scale:
    """value = code × step. The digital range is -limit..limit; -limit stands for a missing sample."""

    step: float
    limit: int
    physical: str  # the physical maximum as the header has it

    def encode(self, values: Samples) -> Samples:
        """Codes of one channel's values, whole and within the range; what is not finite becomes -limit."""
        codes = np.rint(values / self.step)
        codes = np.clip(codes, 1 - self.limit, self.limit)
        return np.where(np.isfinite(values), codes, -self.limit)


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
        seen = math.ceil(float(np.abs(values).max()) / step) if values.size else 0
        if len(rails) == 2:
            largest = max(seen, math.ceil(max(rails) / step - 1e-6))
        elif step == 1.0 and seen < _SMALL_COUNTS:
            largest = 4 * _SMALL_COUNTS - 2
        else:
            largest = 7_999_999  # nearly all of 24 bits, and a round number for the header
            # Of digits beyond the second, those go that would cost the room; two are kept exactly.
            while seen * _ROOM > largest and step < 0.0099:
                step, seen = step * 10, math.ceil(seen / 10)
        wanted.append((step, largest))
    width = least_width if all(largest < BITS_16 for _, largest in wanted) else 3
    top = BITS_16 if width == 2 else BITS_24
    return [_scale(step, largest, top) for step, largest in wanted], width


def _step_seen(values: Samples) -> float:
    """The decimal place that all values have, or a millionth of the largest value if they have none."""
    for digits in range(5):
        scaled = values * 10.0**digits
        if np.all(np.abs(scaled - np.rint(scaled)) <= 1e-9 * np.maximum(1.0, np.abs(scaled))):
            return float(f"1e-{digits}")
    largest = float(np.abs(values).max())
    return float(10.0 ** math.floor(math.log10(largest / 1e6)))


def _scale(step: float, largest: int, top: int) -> Scale:
    """The digital range whose physical end has an exact text of seven characters, else the nearest."""
    if largest >= top:  # more than 24 bits hold: give up the finest digits
        step *= math.ceil(largest / (top - 1))
        largest = top - 1
    powers = [2**k for k in range(top.bit_length(), 3, -1)]
    rounds = [m * 10**k for k in range(7, 0, -1) for m in (8, 5, 4, 3, 2, 1)]
    candidates = [limit for limit in (top, *powers, *rounds) if largest < limit <= top]
    best: tuple[float, Scale] | None = None
    for limit in candidates:
        text = _number_text(Fraction(step).limit_denominator(10**12) * limit)
        if text is None:
            continue
        error = abs(float(text) / limit / step - 1)
        scale = Scale(step, limit, text)
        if error < 5e-16:
            return scale
        if best is None or error < best[0]:
            best = (error, scale)
    if best is None:
        raise ValueError(f"a step of {step} does not fit into the header")
    return Scale(float(best[1].physical) / best[1].limit, best[1].limit, best[1].physical)


def _number_text(value: Fraction) -> str | None:
    """At most seven characters, so that a minus sign still fits; None when the number does not."""
    for digits in range(6, -1, -1):
        text = f"{float(value):.{digits}f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        if len(text) <= 7:
            return text if float(text) > 0 else None
    return None


@dataclass(frozen=True, slots=True)
class RecordShape:
    """``samples`` a channel in each data record of ``duration`` seconds (the header's own text)."""

    samples: int
    duration: str

    @property
    def seconds(self) -> float:
        return float(self.duration)


def record_shape(rate_hz: float, channels: int, width: int) -> RecordShape:
    """Near one second, and exact in the header's eight characters if any length allows it.

    83.33 samples do not fill a second, but 100 of them fill 1.2 s at 83.333 Hz.
    """
    longest = min(1.6, (_RECORD_LIMIT - ANNOTATION_BYTES) / (rate_hz * channels * width))
    most = max(1, math.floor(rate_hz * longest))
    least = max(1, min(most, math.ceil(rate_hz * longest / 3)))

    def cost(samples: int) -> tuple[float, float]:
        exact = samples / rate_hz
        error = abs(float(duration_text(exact)) / exact - 1)
        return (0.0 if error < 1e-14 else error, abs(exact - 1.0))

    samples = min(range(least, most + 1), key=cost)
    return RecordShape(samples, duration_text(samples / rate_hz))


@dataclass(frozen=True, slots=True)
class Layout:
    """Everything fixed before the first record is written."""

    info: StreamInfo
    scales: tuple[Scale, ...]
    width: int
    shape: RecordShape
    started: datetime
    patient: str = ""

    @property
    def annotation_samples(self) -> int:
        return math.ceil(ANNOTATION_BYTES / self.width)

    @property
    def family(self) -> str:
        return "EDF+" if self.width == 2 else "BDF+"

    def header(self, records: int, *, continuous: bool) -> bytes:
        """The whole header. Personal fields hold the standard's X for unknown unless given."""
        count = len(self.info.channels) + 1
        day = self.started
        date = f"{day.day:02d}-{_MONTHS[day.month - 1]}-{day.year}"
        fixed = [
            _ascii("0", 8) if self.width == 2 else _BDF_MARK,
            _ascii(self.patient or "X X X X", 80),
            _ascii(f"Startdate {date} X X {EQUIPMENT}", 80),
            _ascii(day.strftime("%d.%m.%y"), 8),
            _ascii(day.strftime("%H.%M.%S"), 8),
            _ascii(str(256 * (count + 1)), 8),
            _ascii(self.family + ("C" if continuous else "D"), 44),
            _ascii(str(records), 8),
            _ascii(self.shape.duration, 8),
            _ascii(str(count), 4),
        ]
        top = BITS_16 if self.width == 2 else BITS_24
        rows = [
            (
                label_of(channel),
                f"surface electrode; kind {channel.kind}; channel {channel.name}",
                "" if channel.unit == "count" else channel.unit,
                "-" + scale.physical,
                scale.physical,
                str(-scale.limit),
                str(scale.limit),
                "",
                str(self.shape.samples),
                "",
            )
            for channel, scale in zip(self.info.channels, self.scales, strict=True)
        ]
        label = f"{self.family[:3]} Annotations"
        rows.append((label, "", "", "-1", "1", str(-top - 1), str(top), "", str(self.annotation_samples), ""))
        widths = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)
        fields = [_ascii(row[index], width) for index, width in enumerate(widths) for row in rows]
        return b"".join(fixed + fields)


def label_of(channel: Channel) -> str:
    """The standard's type and the electrode's name (``EEG Fp1``), or the name alone if that is too long."""
    type_ = channel.kind.split("-")[0].upper()
    label = channel.name if channel.name.upper().startswith(type_) else f"{type_} {channel.name}"
    return label if len(label) <= 16 else channel.name[:16]


def _ascii(text: str, width: int) -> bytes:
    return text.encode("ascii", "replace")[:width].ljust(width)
