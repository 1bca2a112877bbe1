"""Numbers out of OSC 1.0 packets, through the python-osc library."""

from __future__ import annotations

from math import isfinite


def rows_of(packet: bytes, address: str | None = None) -> list[list[float]] | None:
    """The numeric arguments of each message, one row a message; None if it is no such packet.

    Messages to another ``address`` give no row; a message with an argument that is not a finite number
    makes the whole packet unusable.
    """
    from pythonosc.osc_packet import OscPacket, ParseError

    try:
        messages = [timed.message for timed in OscPacket(packet).messages]
    except (ParseError, ValueError, IndexError, UnicodeDecodeError):
        return None
    rows: list[list[float]] = []
    for message in messages:
        if address is not None and message.address != address:
            continue
        row: list[float] = []
        for value in message.params:
            if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
                return None
            row.append(float(value))
        if row:
            rows.append(row)
    return rows
