"""Numbers out of OSC 1.0 packets, through the python-osc library."""

from __future__ import annotations

import hmac
import struct
from math import isfinite

_BUNDLE = b"#bundle\0"
_HEAD = 16  # bytes of a bundle before its first element: the name and the time tag (OSC 1.0, "OSC Bundles")
DEEPEST = 4  # bundles in bundles; a packet of 64 kB could hold three thousand, one in the other


def rows_of(packet: bytes, address: str | None = None, token: str | None = None) -> list[list[float]] | None:
    """The numeric arguments of each message, one row a message; None if it is no such packet.

    Messages to another ``address`` give no row; a message with an argument that is not a finite number
    makes the whole packet unusable, and so does one whose first argument is not the ``token`` that is asked.
    """
    from pythonosc.osc_packet import OscPacket, ParseError

    if not _shallow(packet):
        return None
    try:
        messages = [timed.message for timed in OscPacket(packet).messages]
    except (ParseError, ValueError, IndexError, UnicodeDecodeError, OverflowError, struct.error):
        return None
    rows: list[list[float]] = []
    for message in messages:
        values = list(message.params)
        if token is not None:
            given = values.pop(0) if values else None
            if not isinstance(given, str) or not hmac.compare_digest(given.encode(), token.encode()):
                return None
        if address is not None and message.address != address:
            continue
        row: list[float] = []
        for value in values:
            if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
                return None
            row.append(float(value))
        if row:
            rows.append(row)
    return rows


def _shallow(packet: bytes) -> bool:
    """Are bundles in it nested no deeper than anybody needs? The library follows them by recursion."""
    waiting = [(0, len(packet), 1)]
    while waiting:
        start, end, depth = waiting.pop()
        if packet[start : start + 8] != _BUNDLE:
            continue
        if depth > DEEPEST:
            return False
        at = start + _HEAD
        while at + 4 <= end:
            size = int.from_bytes(packet[at : at + 4], "big")
            at += 4
            if size > end - at:
                break
            waiting.append((at, at + size, depth + 1))
            at += size
    return True
