"""How an EDF+ or BDF+ file is laid out: record length and header text.

European Data Format "plus" specification, sections 2.1 and 2.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from bridge.recordings.edf_file import EQUIPMENT, duration_text, own_channel_text, remainder_text, step_text
from bridge.recordings.edf_scale import BITS_16, BITS_24, Scale
from bridge.signals.types import Channel, StreamInfo

_RECORD_LIMIT = 61_440  # bytes; the specification's advice for one data record
_WIDEST = 2 * 3  # bytes a sample of a channel can come to
ANNOTATION_BYTES = 480  # whole samples of 16 bits and of 24
# The eight bytes that open a BDF header, as that format prescribes.
_BDF_MARK = bytes.fromhex("ff42494f53454d49")
_MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")


@dataclass(frozen=True, slots=True)
class RecordShape:
    """``samples`` a channel in each data record of ``duration`` seconds (the header's own text)."""

    samples: int
    duration: str

    @property
    def seconds(self) -> float:
        return float(self.duration)


def record_shape(rate_hz: float, channels: int) -> RecordShape:
    """Near one second for channels that may all come to two signals.

    Exact in the header's eight characters if any length allows it: 83.33 samples do not fill a second, but
    100 of them fill 1.2 s at 83.333 Hz.
    """
    longest = min(1.6, (_RECORD_LIMIT - ANNOTATION_BYTES) / (rate_hz * channels * _WIDEST))
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
        return ANNOTATION_BYTES // self.width

    @property
    def record_bytes(self) -> int:
        signals = sum(2 if scale.factor > 1 else 1 for scale in self.scales)
        return signals * self.shape.samples * self.width + ANNOTATION_BYTES

    @property
    def family(self) -> str:
        return "EDF+" if self.width == 2 else "BDF+"

    def header(self, records: int, *, continuous: bool) -> bytes:
        """The whole header. Personal fields hold the standard's X for unknown unless given."""
        rows = self._rows()
        day = self.started
        date = f"{day.day:02d}-{_MONTHS[day.month - 1]}-{day.year}"
        fixed = [
            _ascii("0", 8) if self.width == 2 else _BDF_MARK,
            _ascii(self.patient or "X X X X", 80),
            _ascii(f"Startdate {date} X X {EQUIPMENT}", 80),
            _ascii(day.strftime("%d.%m.%y"), 8),
            _ascii(day.strftime("%H.%M.%S"), 8),
            _ascii(str(256 * (len(rows) + 1)), 8),
            _ascii(self.family + ("C" if continuous else "D"), 44),
            _ascii(str(records), 8),
            _ascii(self.shape.duration, 8),
            _ascii(str(len(rows)), 4),
        ]
        widths = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)
        fields = [_ascii(row[index], width) for index, width in enumerate(widths) for row in rows]
        return b"".join(fixed + fields)

    def _rows(self) -> list[tuple[str, ...]]:
        """The header's fields of each signal: the channels with their remainders, then the annotations."""
        rows: list[tuple[str, ...]] = []
        samples = str(self.shape.samples)
        for number, (channel, scale) in enumerate(zip(self.info.channels, self.scales, strict=True), 1):
            unit = "" if channel.unit == "count" else channel.unit
            main = (scale.physical, scale.limit)
            rest = (scale.remainder_physical, scale.remainder_limit)
            step = "" if scale.exact else step_text(scale.step)
            signals = [(label_of(channel), own_channel_text(channel), main, step)]
            if scale.factor > 1:
                signals.append((f"remainder {number}", remainder_text(scale.factor), rest, ""))
            rows.extend(
                (label, text, unit, f"-{most}", most, str(-limit), str(limit), "", samples, reserved)
                for label, text, (most, limit), reserved in signals
            )
        top = BITS_16 if self.width == 2 else BITS_24
        label = f"{self.family[:3]} Annotations"
        rows.append((label, "", "", "-1", "1", str(-top - 1), str(top), "", str(self.annotation_samples), ""))
        return rows


def label_of(channel: Channel) -> str:
    """The standard's type and the electrode's name (``EEG Fp1``), or the name alone if that is too long."""
    type_ = channel.kind.split("-")[0].upper()
    label = channel.name if channel.name.upper().startswith(type_) else f"{type_} {channel.name}"
    return label if len(label) <= 16 else channel.name[:16]


def _ascii(text: str, width: int) -> bytes:
    return text.encode("ascii", "replace")[:width].ljust(width)
