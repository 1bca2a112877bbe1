"""Data records between codes and bytes, and a file rewritten for wider codes."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bridge.recordings.edf_layout import ANNOTATION_BYTES, Layout

Codes = Sequence[NDArray[np.int64]]
_AT_A_TIME = 64  # records


def encode_records(layout: Layout, codes: Codes, annotations: NDArray[np.uint8]) -> bytes:
    """Whole records. ``codes``: an array a channel, a row a record; ``annotations``: bytes, likewise."""
    parts: list[NDArray[np.uint8]] = []
    for scale, rows in zip(layout.scales, codes, strict=True):
        if scale.factor == 1:
            parts.append(_to_bytes(rows, layout.width))
        else:
            main = (rows + scale.factor // 2) // scale.factor
            parts.append(_to_bytes(main, layout.width))
            parts.append(_to_bytes(rows - main * scale.factor, layout.width))
    return np.concatenate((*parts, annotations), axis=1).tobytes()


def decode_records(layout: Layout, data: bytes) -> tuple[Codes, NDArray[np.uint8]]:
    """The reverse of ``encode_records``."""
    records = np.frombuffer(data, np.uint8).reshape(-1, layout.record_bytes)
    size = layout.shape.samples * layout.width
    codes: list[NDArray[np.int64]] = []
    at = 0
    for scale in layout.scales:
        rows = _from_bytes(records[:, at : at + size], layout.width)
        at += size
        if scale.factor > 1:
            rows = rows * scale.factor + _from_bytes(records[:, at : at + size], layout.width)
            at += size
        codes.append(rows)
    return codes, records[:, -ANNOTATION_BYTES:]


def rewrite(path: Path, header_bytes: int, old: Layout, new: Layout, header: bytes) -> None:
    """Put ``new`` in the place of ``old``: at any time the file is the one or the other, whole."""
    beside = path.with_name(path.name + ".widening")
    owner_only = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o600)
    try:
        with os.fdopen(owner_only, "wb") as target, path.open("rb") as source:
            source.seek(header_bytes)
            target.write(header)
            while data := source.read(old.record_bytes * _AT_A_TIME):
                codes, annotations = decode_records(old, data)
                wider = [
                    scale.convert(rows, older)
                    for scale, older, rows in zip(new.scales, old.scales, codes, strict=True)
                ]
                target.write(encode_records(new, wider, annotations))
            target.flush()
            os.fsync(target.fileno())
        beside.replace(path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise
    if os.name == "posix":  # the new name must last through a power cut as the samples after it will
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _to_bytes(codes: NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    """Little-endian two's complement of ``width`` bytes a code; a row a record."""
    raw = codes.astype("<i4").view(np.uint8).reshape(len(codes), -1, 4)
    return raw[:, :, :width].reshape(len(codes), -1)


def _from_bytes(raw: NDArray[np.uint8], width: int) -> NDArray[np.int64]:
    wide = np.zeros((len(raw), raw.shape[1] // width, 4), np.uint8)
    wide[:, :, 4 - width :] = raw.reshape(len(raw), -1, width)
    return (wide.view("<i4")[:, :, 0] >> (8 * (4 - width))).astype(np.int64)
