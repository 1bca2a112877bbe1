"""Wrong tokens are answered ever more slowly; who has the right one never waits. Pure: time comes in."""

from __future__ import annotations

from collections import OrderedDict

FIRST_DELAY_S = 0.1
LONGEST_DELAY_S = 4.0  # below the time that a stranger has, so that the answer still comes
_FREE_OVERALL = 8  # wrong guesses of all addresses together before those of each wait for the others'
_FORGET_S = 60.0
_MOST_ADDRESSES = 1000


class Guesses:
    """Counts wrong guesses by the address that they came from, and all together."""

    def __init__(self) -> None:
        self.total = 0  # since the start
        self._recent = 0
        self._last_s = float("-inf")
        self._by_address: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wrong(self, address: str, now_s: float) -> float:
        """Count one more and return how many seconds its answer should wait."""
        self.total += 1
        self._recent = self._recent + 1 if now_s - self._last_s < _FORGET_S else 1
        self._last_s = now_s
        count, last_s = self._by_address.pop(address, (0, now_s))
        count = count + 1 if now_s - last_s < _FORGET_S else 1
        self._by_address[address] = count, now_s
        if len(self._by_address) > _MOST_ADDRESSES:
            self._by_address.popitem(last=False)
        return max(_delay_s(count), _delay_s(self._recent - _FREE_OVERALL))


def _delay_s(count: int) -> float:
    if count <= 0:
        return 0.0
    return float(min(LONGEST_DELAY_S, FIRST_DELAY_S * 2.0 ** min(count - 1, 20)))
