"""Where the eyes rest, reckoned from their shifts: left, centre, right, or unknown.

Only shifts change it, so neither the electrodes' drift nor an AC-coupled amplifier's decay does. Errors of
the reckoning are forgotten slowly: eyes seldom rest far from the centre for long, the head follows. A shift
that undoes what is remembered without forgetting ends at the centre, however long the eyes had been away.
"""

from __future__ import annotations

import math
from typing import Final, Literal

RestingPlace = Literal["left", "centre", "right"]
Change = tuple[Literal["start", "end"], RestingPlace]

# Shares of the person's usual (median) shift: within the first the eyes rest at the centre; a shift that
# leaves less than the second of the way out has brought them back.
_CENTRE_SHARE: Final = 0.4
_BACK_SHARE: Final = 0.25
_FORGET_S: Final = 4.0


class Resting:
    """Follows the position from shift to shift; 0 is the centre, positive right."""

    def __init__(self, rate_hz: float, unknown_after_s: float) -> None:
        self._forget = _FORGET_S * rate_hz
        self._unknown_after = round(unknown_after_s * rate_hz)
        self.position: float | None = None
        self.place: RestingPlace | None = None
        self._since = 0

    def shift(self, n: int, amplitude: float, typical: float, least: float) -> list[Change]:
        """A shift was decided at sample ``n``; what it ends and starts. It leaves the centre if unknown."""
        before = self.position or 0.0
        kept = before + amplitude
        position = before * math.exp((self._since - n) / self._forget) + amplitude
        back = abs(kept) < max(_BACK_SHARE * typical, 0.5 * least)
        # The truth lies between the two reckonings; where they are on opposite sides, call it the centre.
        near = abs(position) < max(_CENTRE_SHARE * typical, 0.8 * least) or position * kept < 0
        place: RestingPlace = "centre" if back or near else "right" if position > 0 else "left"
        changes: list[Change] = []
        if place != self.place:
            changes = self.close()
            changes.append(("start", place))
        self.position = 0.0 if back else position
        self.place = place
        self._since = n
        return changes

    def tick(self, n: int) -> list[Change]:
        """Time passes: what no shift has confirmed for long is unknown."""
        if self.place is not None and n - self._since > self._unknown_after:
            return self.close()
        return []

    def close(self) -> list[Change]:
        """The place is unknown from here on."""
        changes: list[Change] = [] if self.place is None else [("end", self.place)]
        self.place = None
        self.position = None
        return changes
