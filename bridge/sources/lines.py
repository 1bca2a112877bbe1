"""Decoder of plain text lines as hobby boards send them: bytes in, rows of numbers out. No input or output.

A line is one or more numbers with commas, semicolons, tabs or blanks between; a name with ``:`` or ``=``
before a number is passed over (``A0:512``, ``ecg=3``). Lines end with LF or CR LF.
"""

from __future__ import annotations

import re
from math import isfinite
from typing import Final

# Longer than any line of plausible numbers; beyond it the line is thrown away up to its end.
LONGEST_LINE: Final = 2048
_TO_BLANKS: Final = bytes.maketrans(b",;\t", b"   ")
_ITEM = re.compile(
    rb"[,;\s]*"
    rb"(?:[A-Za-z_][A-Za-z0-9_.%/()\[\]-]*(?: [A-Za-z0-9_.%/()\[\]-]+){0,3}\s*[:=]\s*)?"
    rb"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)"
    rb"(?=[,;\s]|$)"
)
# float() takes more than we call a number: 1_000, nan, infinity, non-ASCII digits are no bytes of these.
_PLAIN: Final = b"0123456789+-.eE \r\v\f"


class LineDecoder:
    """Feed it bytes as they come, get the rows of the lines that were completed.

    ``columns``: how many numbers a line must hold; None takes any. Everything else (garbage, half lines,
    lines without end) is counted in ``skipped`` and passed over. What comes before the first line end
    is taken for the rest of a line and dropped without counting, unless ``whole`` says the bytes start
    with a line.
    """

    def __init__(self, columns: int | None = None, *, whole: bool = False) -> None:
        self.columns = columns
        self.skipped = 0
        self._tail = b""
        self._inside = not whole  # within a line whose start was not seen or that is too long

    def reset(self) -> None:
        """The connection is new: what comes first is the rest of some line."""
        self._tail = b""
        self._inside = True

    def feed(self, data: bytes) -> list[list[float]]:
        """Rows of the lines that end in ``data``, each a list of finite numbers."""
        lines = (self._tail + data).split(b"\n")
        self._tail = lines.pop()
        if self._inside and lines:
            del lines[0]
            self._inside = False
        rows: list[list[float]] = []
        for line in lines:
            row = parse_line(line)
            if row is not None and (self.columns is None or len(row) == self.columns):
                rows.append(row)
            elif line.strip():
                self.skipped += 1
        if self._inside:
            self._tail = b""
        elif len(self._tail) > LONGEST_LINE:
            self._tail = b""
            self._inside = True
            self.skipped += 1
        return rows


def parse_line(line: bytes) -> list[float] | None:
    """The numbers of one line, or None if it is not a line of numbers."""
    if len(line) > LONGEST_LINE:
        return None
    plain = line.translate(_TO_BLANKS)
    if plain.translate(None, _PLAIN):
        return _parse_named(line)
    try:
        row = [float(cell) for cell in plain.split()]
    except ValueError:
        return None
    return row if row and all(map(isfinite, row)) else None


def _parse_named(line: bytes) -> list[float] | None:
    text = line.rstrip(b" \t\r,;")
    row: list[float] = []
    position = 0
    while position < len(text):
        found = _ITEM.match(text, position)
        if found is None:
            return None
        value = float(found.group(1))
        if not isfinite(value):
            return None
        row.append(value)
        position = found.end()
    return row or None
