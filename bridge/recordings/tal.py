"""Time-stamped annotation lists (TALs) as EDF+ keeps them inside its data records.

EDF+ specification, section 2.2.2: ``+Onset[0x15 Duration]0x14 text 0x14 ... 0x00``; the first list of
a record has an empty first text and gives the record's own time (section 2.2.4).
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from bridge.signals.types import Annotation

_STAMP = re.compile(rb"([+-]\d+(?:\.\d*)?)(?:\x15(\d*(?:\.\d*)?))?\x14")


def seconds_text(value: float) -> str:
    """A number of seconds with at most seven decimals and no exponent."""
    return f"{value:.7f}".rstrip("0").rstrip(".") or "0"


def onset_text(value: float) -> str:
    """An onset, always signed as the standard wants it."""
    text = seconds_text(value)
    return text if text.startswith("-") else "+" + text


def encode_tal(annotation: Annotation) -> bytes:
    """One list with one text."""
    stamp = onset_text(annotation.onset)
    if annotation.duration > 0:
        stamp += "\x15" + seconds_text(annotation.duration)
    clean = re.sub(r"[\x00-\x1f]+", " ", annotation.label)
    return f"{stamp}\x14{clean}\x14\x00".encode()


def encode_record_time(onset_s: float) -> bytes:
    """The list that opens a data record."""
    return f"{onset_text(onset_s)}\x14\x14\x00".encode()


def decode_record(raw: bytes) -> tuple[float | None, list[Annotation]]:
    """A record's own time and its annotations; lists that are malformed are passed over."""
    own: float | None = None
    found: list[Annotation] = []
    for part in raw.split(b"\x00"):
        stamp = _STAMP.match(part)
        if stamp is None:
            continue
        onset = float(stamp.group(1))
        duration = float(stamp.group(2)) if stamp.group(2) not in (None, b"", b".") else 0.0
        for number, text in enumerate(part[stamp.end() :].split(b"\x14")[:-1] or [b""]):
            if text:
                found.append(Annotation(onset, duration, text.decode("utf-8", "replace")))
            elif own is None and number == 0:
                own = onset
    return own, found


def in_order(annotations: Iterable[Annotation]) -> tuple[Annotation, ...]:
    return tuple(sorted(annotations, key=lambda item: (item.onset, item.duration, item.label)))
