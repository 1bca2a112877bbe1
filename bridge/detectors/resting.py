"""Where the eyes rest, reckoned from their shifts: left, centre, right, or unknown.

Only shifts change it, so neither the electrodes' drift nor an AC-coupled amplifier's decay does. A shift that
brings the eyes about as far back as they had gone ends at the centre, and the reckoning starts anew there.
"""

from __future__ import annotations

from typing import Literal

RestingPlace = Literal["left", "centre", "right"]
Change = tuple[Literal["start", "end"], RestingPlace]

# Within this share of the person's usual shift from the centre the eyes rest at the centre.
_CENTRE_SHARE = 0.5


class Resting:
    """Follows the position from shift to shift; 0 is the centre, positive right."""

    def __init__(self, rate_hz: float, forget_s: float) -> None:
        self._forget = round(forget_s * rate_hz)
        self.position: float | None = None
        self.place: RestingPlace | None = None
        self._since = 0

    def shift(self, n: int, amplitude: float, typical: float, least: float) -> list[Change]:
        """A shift was decided at sample ``n``; what it ends and starts. It leaves the centre if unknown."""
        position = (self.position or 0.0) + amplitude
        near = max(_CENTRE_SHARE * typical, 0.8 * least)
        place: RestingPlace
        if abs(position) < near:
            place = "centre"
            position = 0.0
        else:
            place = "right" if position > 0 else "left"
        self.position = position
        self._since = n
        if place == self.place:
            return []
        changes = self.close()
        self.position = position
        self.place = place
        changes.append(("start", place))
        return changes

    def tick(self, n: int) -> list[Change]:
        """Time passes: what has not been confirmed for long is forgotten."""
        if self.place is not None and n - self._since > self._forget:
            return self.close()
        return []

    def close(self) -> list[Change]:
        """The place is unknown from here on."""
        changes: list[Change] = [] if self.place is None else [("end", self.place)]
        self.place = None
        self.position = None
        return changes
