"""Which detections answer which reference labels, and how close they must lie."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from bridge.calibration.vocabulary import kind_of
from bridge.signals.types import Annotation, Detection, Event

Family: TypeAlias = frozenset[str]


@dataclass(frozen=True, slots=True)
class Window:
    """A detection answers a reference when ``detected - reference`` lies within -before..after (s)."""

    before_s: float
    after_s: float

    def holds(self, difference_s: float) -> bool:
        # A nanosecond of slack: times that are exactly a window apart must not fall to rounding.
        return -self.before_s - 1e-9 <= difference_s <= self.after_s + 1e-9

    def to_json(self) -> float | list[float]:
        """Milliseconds: one number for a symmetrical window, else [before (negative), after]."""
        before, after = round(self.before_s * 1000, 6), round(self.after_s * 1000, 6)
        return before if before == after else [-before, after]


# Events that tell the same thing apart by a word: the word must be equal, but a wrong word is an error.
FAMILIES: tuple[Family, ...] = (
    frozenset({"heartbeat"}),
    frozenset({"blink"}),
    frozenset({"long-closure"}),
    frozenset({"gaze-left", "gaze-right"}),
    frozenset({"gaze-up", "gaze-down"}),
    frozenset({"contraction"}),
    frozenset({"drowsiness"}),
    frozenset({"alpha"}),
)

# ANSI/AAMI EC57 (from memory): 150 ms for beats; the same on a blink's peak.
INSTANT = Window(0.150, 0.150)
GAZE = Window(0.100, 0.400)
# A person follows a cue after a reaction time, and may anticipate it.
CUED = Window(0.3, 1.5)
# When eyes are closed is known from video to about this.
CLOSURE = Window(0.7, 0.7)


def family_of(kind: str) -> Family | None:
    return next((family for family in FAMILIES if kind in family), None)


def window_for(kind: str, is_interval: bool) -> Window:
    """The default window of an event kind, for a reference that is an instant or an interval."""
    if kind == "long-closure":
        return CLOSURE
    if is_interval:
        return CUED
    return GAZE if kind.startswith("gaze-") else INSTANT


@dataclass(frozen=True, slots=True)
class Mark:
    """One reference event. An ``optional`` one is no error found or missed."""

    onset_s: float
    kind: str
    optional: bool
    is_interval: bool


def marks(annotations: Iterable[Annotation], kinds: Iterable[str]) -> list[Mark]:
    """The annotations that name one of these kinds, in order; labels of other kinds are passed over.

    How it was done (``blink deliberate``) makes no difference here.
    """
    wanted = frozenset(kinds)
    found = []
    for annotation in annotations:
        kind = kind_of(annotation.label)
        if kind in wanted:
            optional = annotation.label.rstrip().endswith("?")
            found.append(Mark(annotation.onset, kind, optional, annotation.duration > 0))
    return sorted(found, key=lambda mark: mark.onset_s)


def scored_kinds(annotations: Sequence[Annotation], detector_events: Sequence[str]) -> frozenset[str]:
    """The kinds that a reference can judge a detector by.

    Those families of the detector's events that the reference names at all; where it names none (a stretch
    of rest), the family the detector is for, which is the first of its events.
    """
    labels = {kind_of(annotation.label) for annotation in annotations}
    families = [family for kind in detector_events if (family := family_of(kind)) is not None]
    named = [family for family in families if family & labels]
    chosen = named or families[:1]
    return frozenset().union(*chosen) & frozenset(detector_events)


def scorable(detections: Iterable[Detection], kinds: Iterable[str]) -> list[Event]:
    """Instants and starts of these kinds, in order of onset."""
    wanted = frozenset(kinds)
    events = [
        item for item in detections if isinstance(item, Event) and item.kind in wanted and item.edge != "end"
    ]
    return sorted(events, key=lambda event: event.onset)
