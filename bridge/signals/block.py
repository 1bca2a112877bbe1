"""Samples on their way through the program. Apart from the other types, for this one is compiled."""

from __future__ import annotations

from array import array
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Samples: TypeAlias = NDArray[np.float64]


def cells(length: int) -> tuple[array[float], Samples]:
    """Zeros, the same memory twice: single numbers are far faster in the first, arithmetic in the second."""
    memory = array("d", bytes(8 * length))
    return memory, np.frombuffer(memory)


class Block:
    """Samples in a row: float64 of shape (n, channels), starting at sample index ``first``.

    Lost samples show as a jump in ``first`` from one block to the next, never as invented data.
    ``received`` is the host's monotonic clock in seconds when the last sample arrived, where known.
    A block never changes. Boards send sample by sample, and then several are made of each: so it is no
    frozen dataclass, which takes three times as long to make, and one sample alone stays in plain numbers
    until somebody asks for an array.
    """

    __slots__ = ("_row", "_samples", "first", "received")

    def __init__(self, samples: Samples | list[float], first: int, received: float | None = None) -> None:
        """``samples``: shape (n, channels), or a list with one sample of each channel."""
        self._samples: Samples | None = None
        self._row: list[float] | None = None
        if isinstance(samples, list):
            self._row = samples
        else:
            self._samples = samples
        self.first: Final = first
        self.received: Final = received

    @property
    def samples(self) -> Samples:
        if self._samples is None:
            self._samples = np.array([self._row], dtype=np.float64)
        return self._samples

    @property
    def row(self) -> list[float] | None:
        """The values of a block of one sample, by channel; None for a block of any other length."""
        if self._row is None and self._samples is not None and len(self._samples) == 1:
            self._row = self._samples[0].tolist()
        return self._row

    def part(self, columns: slice | list[int]) -> Block:
        """The same samples of these columns alone."""
        row = self.row
        if row is None:
            return Block(self.samples[:, columns], self.first, self.received)
        part = row[columns] if isinstance(columns, slice) else [row[column] for column in columns]
        return Block(part, self.first, self.received)

    def __len__(self) -> int:
        return 1 if self._samples is None else int(self._samples.shape[0])

    @property
    def end(self) -> int:
        """Index of the sample that would come next."""
        return self.first + len(self)
