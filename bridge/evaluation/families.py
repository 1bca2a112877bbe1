"""Which detections answer which reference labels, and how close they must lie."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from bridge.calibration.vocabulary import kind_of
from bridge.detectors import EVENT_TYPES
from bridge.detectors.kinds import EventType, Tolerance
from bridge.signals.types import Annotation, Detection, Event

Family: TypeAlias = frozenset[str]


def family_of(kind: str) -> Family | None:
    """The kinds that tell the same thing apart by a word; None for a kind that no reference is held against.

    Those are what the pipeline tells, and where the eyes rest, which no label names.
    """
    type_ = EVENT_TYPES.get(kind)
    if type_ is None or not type_.scored:
        return None
    if not type_.family:
        return frozenset({kind})
    return frozenset(other.kind for other in EVENT_TYPES.values() if other.family == type_.family)


def tolerance_for(kind: str, is_interval: bool) -> Tolerance:
    """The default tolerance of an event kind, for a reference that is an instant or an interval."""
    type_ = EVENT_TYPES[kind]
    return type_.cued if is_interval else type_.tolerance


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


def scored_kinds(annotations: Sequence[Annotation], detector_events: Sequence[EventType]) -> frozenset[str]:
    """The kinds that a reference can judge a detector by.

    Those families of the detector's events that the reference names at all; where it names none (a stretch
    of rest), the family the detector is for, which is the first of its events.
    """
    labels = {kind_of(annotation.label) for annotation in annotations}
    kinds = [type_.kind for type_ in detector_events]
    families = [family for kind in kinds if (family := family_of(kind)) is not None]
    named = [family for family in families if family & labels]
    chosen = named or families[:1]
    return frozenset().union(*chosen) & frozenset(kinds)


def scorable(detections: Iterable[Detection], kinds: Iterable[str]) -> list[Event]:
    """Instants and starts of these kinds, in order of onset."""
    wanted = frozenset(kinds)
    events = [
        item for item in detections if isinstance(item, Event) and item.kind in wanted and item.edge != "end"
    ]
    return sorted(events, key=lambda event: event.onset)
