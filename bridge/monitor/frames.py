"""The packed binary frame that carries columns to the page. Little-endian; sections one after the other.

Section: version u8, kind u8, stream u16, epoch u32, first column f64, start of the stream on the shared clock
in seconds f64, columns u32, rows u16, parts u16; then float32 values, [row][part][column].
"""

from __future__ import annotations

import struct

from bridge.monitor.history import Columns

VERSION = 1
SIGNAL = 1
TRIAL = 2
HEADER = struct.Struct("<BBHIddIHH")


def section(kind: int, stream: int, epoch: int, first: int, start_s: float, columns: Columns) -> bytes:
    """``columns`` has shape (rows, parts, columns), float32."""
    rows, parts, count = columns.shape
    head = HEADER.pack(VERSION, kind, stream, epoch, float(first), start_s, count, rows, parts)
    return head + columns.astype("<f4", copy=False).tobytes()
