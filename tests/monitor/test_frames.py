"""The packed frame, read back by hand."""

from __future__ import annotations

import struct

import numpy as np

from bridge.monitor import frames


def test_a_section_reads_back() -> None:
    columns = np.arange(12, dtype=np.float32).reshape(3, 2, 2)
    packed = frames.section(frames.SIGNAL, 5, 7, 2**40, 1.25, columns)
    head = struct.unpack_from("<BBHIddIHH", packed)
    assert head == (frames.VERSION, frames.SIGNAL, 5, 7, float(2**40), 1.25, 2, 3, 2)
    assert frames.HEADER.size % 4 == 0  # the page lays a Float32Array over what follows
    assert np.array_equal(np.frombuffer(packed, "<f4", offset=frames.HEADER.size), np.arange(12.0))
