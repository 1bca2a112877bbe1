"""The kinds of events and levels, each declared once, by the detector that tells them.

Rules, texts, explanations, calibration, evaluation and the page read these declarations; none of them knows a
kind by its name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from bridge.signals.types import Edge

AT_START: Final[frozenset[Edge]] = frozenset({"instant", "start"})
AT_END: Final[frozenset[Edge]] = frozenset({"end"})
ALWAYS: Final[frozenset[Edge]] = AT_START | AT_END


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number that comes with an event. ``unit`` is empty for a share or a ratio."""

    meaning: str
    unit: str = ""
    edges: frozenset[Edge] = ALWAYS


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A detection answers a reference when ``detected - reference`` lies within -before..after (s)."""

    before_s: float
    after_s: float

    def holds(self, difference_s: float) -> bool:
        # A nanosecond of slack: times that are exactly a tolerance apart must not fall to rounding.
        return -self.before_s - 1e-9 <= difference_s <= self.after_s + 1e-9

    def to_json(self) -> float | list[float]:
        """Milliseconds: one number for a symmetrical tolerance, else [before (negative), after]."""
        before, after = round(self.before_s * 1000, 6), round(self.after_s * 1000, 6)
        return before if before == after else [-before, after]


AS_THE_CHANNEL: Final = "in the channel's unit"
# ANSI/AAMI EC57 (from memory): 150 ms for beats; the same on a blink's peak.
INSTANT: Final = Tolerance(0.150, 0.150)
# A person follows a cue after a reaction time, and may anticipate it.
CUED: Final = Tolerance(0.3, 1.5)


@dataclass(frozen=True, slots=True)
class EventType:
    """One kind of event.

    ``noun`` goes into the sentences of ``explain``. A kind that ``lasts`` comes as a start and an end,
    any other as an instant. ``strength`` names the value that a rule's ``stronger_than`` looks at.
    ``labels`` are the words that may follow the kind in a recording's labels: how it was done.
    ``tolerance`` and ``cued`` say how near a detection must be to a reference that is an instant, and to
    one that is an interval. Kinds of one ``family`` tell the same thing apart by a word: a wrong word is
    an error, not something else. A kind that is not ``scored`` follows from others, and no reference is
    held against it.
    """

    kind: str
    noun: str
    lasts: bool = False
    values: Mapping[str, Quantity] = field(default_factory=dict)
    strength: str = ""
    labels: tuple[str, ...] = ()
    tolerance: Tolerance = INSTANT
    cued: Tolerance = CUED
    family: str = ""
    scored: bool = True

    def values_at(self, edge: Edge) -> tuple[str, ...]:
        """The names of the values that an event of this edge has."""
        return tuple(name for name, quantity in self.values.items() if edge in quantity.edges)


@dataclass(frozen=True, slots=True)
class LevelType:
    """One kind of level: its unit (empty for a share), and how far it comes back before a crossing is over.

    ``lowest`` and ``highest`` are bounds that it comes near to and never reaches, or None.
    """

    kind: str
    hysteresis: float
    unit: str = ""
    lowest: float | None = None
    highest: float | None = None


_FIT: Final = {"share": Quantity("how large acts are, as a share of those of the calibration")}
# What the pipeline tells of a channel, and the calibration of a fit; no detector makes these.
STATE_EVENTS: Final = (
    EventType("signal-lost", "the loss of a signal", scored=False),
    EventType("signal-back", "the return of a signal", scored=False),
    EventType("fit-lost", "acts that no longer fit the profile", values=_FIT, scored=False),
    EventType("fit-back", "acts that fit the profile again", values=_FIT, scored=False),
)
