"""From a board's sample numbers, modulo 65536, to sample indices that only grow. No input or output."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

_MODULUS: Final = 65536
_CONFIRM_S: Final = 0.5  # a jump longer than this must be confirmed by the frame that follows
_REPEATED_S: Final = 2.0  # a number this little behind is a frame that was heard before
_AGREE_S: Final = 0.5  # numbers and clock agree on a gap when they are this close


class Numbering:
    """Place each sample on the stream's index; hold back one whose number jumps until the next confirms it.

    A mangled number that passes its CRC so costs one sample and does not move the stream. A board that
    starts anew counts from 0 again: then the clock says how much was missed.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._next = 0
        self._base: int | None = None  # number of index 0, modulo 65536
        self._held: tuple[int, tuple[int, ...]] | None = None
        self._anew = False

    @property
    def next(self) -> int:
        """The index that would come next."""
        return self._next

    def restarted(self) -> None:
        """The board or the connection is new: its numbers may have begun anew."""
        self._anew = self._base is not None
        self._held = None

    def place(
        self, number: int, values: tuple[int, ...], due: Callable[[], float | None]
    ) -> list[tuple[int, tuple[int, ...]]]:
        """Index and values of this sample, of the held one before it too if this confirms it, or nothing.

        ``due`` says the index of the sample that arrives now by the clock, or None.
        """
        if self._base is None:
            self._base = number
        ahead = (number - self._base - self._next) % _MODULUS
        if not self._anew:
            if ahead <= _CONFIRM_S * self._rate_hz:
                self._held = None
                return [self._take(self._next + ahead, values)]
            if _MODULUS - ahead <= _REPEATED_S * self._rate_hz:
                return []  # bytes that came twice
        held, self._held = self._held, (number, values)
        if held is None or (number - held[0]) % _MODULUS != 1:
            return []
        first = self._index_of((held[0] - self._base - self._next) % _MODULUS, due())
        self._held = None
        self._anew = False
        self._base = (held[0] - first) % _MODULUS
        return [self._take(first, held[1]), self._take(first + 1, values)]

    def _take(self, index: int, values: tuple[int, ...]) -> tuple[int, tuple[int, ...]]:
        self._next = index + 1
        return index, values

    def _index_of(self, ahead: int, due: float | None) -> int:
        """Where a confirmed jump leads: by the numbers if the clock agrees, else by the clock alone."""
        if due is None:
            # No clock yet: believe the numbers, but a step back is a new beginning.
            return self._next + (ahead if ahead < _MODULUS // 2 else 0)
        turns = round((due - self._next - ahead) / _MODULUS)
        by_number = self._next + ahead + max(0, turns) * _MODULUS
        if abs(by_number - due) <= _AGREE_S * self._rate_hz:
            return by_number
        return max(self._next, round(due) - 1)
