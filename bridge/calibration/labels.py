"""What a recording's annotations ask a detector to find, and where it must keep quiet.

Two kinds of labels are understood. References name what was seen: an event kind, with ``?`` where optional
and a word of strength where known (``blink``, ``gaze-left?``, ``contraction light``, ``blink spontaneous``),
and intervals in which nothing was meant (``rest``, ``talk``); see ``vocabulary``.
Sessions of our own hold what was asked: ``step act blink``, ``cue blink deliberate``, ``cue gaze-centre``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from bridge.calibration.vocabulary import CLOSED, EVERYDAY, kind_of, plain
from bridge.signals.types import Annotation

# References and detectors agree within this after the start of a recording; a detector may be learning.
LEARNING_S = 5.0
# A cue and what was done belong together for so long at most; the person's own reaction is measured.
LONGEST_REACTION_S = 2.5
SHORTEST_REACTION_S = 0.18  # simple reactions take 180-200 ms
_SHORTEST_SPACING_S = 0.35
# Intervals that begin a reaction time early may overlap; more than this, and the acts would too.
_MOST_OVERLAP_S = 0.5
_MEANT = ("deliberate", "twice")

Source = Literal["seen", "cued", "asked"]


class LabelError(ValueError):
    """The labels cannot be used for a fit; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Act:
    """Something a detector must find. ``source`` says how its time is known.

    ``seen``: the reference is the moment itself. ``cued``: the reference is an interval in which the person
    was told to act. ``asked``: a prompt of our own routine, answered after a reaction time.
    """

    kind: str
    time_s: float
    duration_s: float = 0.0
    strength: str = ""
    source: Source = "seen"
    optional: bool = False
    verify: bool = False
    is_excused: bool = False  # done, but while the detector was learning or the signal was bad

    @property
    def is_firm(self) -> bool:
        """Does a fit rest on it? Not on optional, verifying, maximal ones and those done twice."""
        return not (self.optional or self.verify or self.strength in ("twice", "maximum"))


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in seconds, from and to, and what it held."""

    start_s: float
    end_s: float
    name: str

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s

    def __contains__(self, time_s: float) -> bool:
        return self.start_s <= time_s < self.end_s


@dataclass(frozen=True, slots=True)
class Labels:
    """For one detector: its acts in order of time, and the stretches in which false activations count."""

    acts: tuple[Act, ...]
    counted: tuple[Stretch, ...]
    session: bool  # recorded by our own routine

    @property
    def firm(self) -> tuple[Act, ...]:
        """The acts a fit rests on."""
        return tuple(act for act in self.acts if act.is_firm)

    @property
    def minutes(self) -> float:
        return sum(stretch.seconds for stretch in self.counted) / 60

    @property
    def for_commands(self) -> bool:
        """Do the labels tell what was meant? Then a fit is for commands: only deliberate acts are to fire."""
        return any(act.strength == "deliberate" for act in self.acts)

    def commands(self) -> Labels:
        """For a detector of what was meant: deliberate acts are to be found, spontaneous ones must not fire.

        Acts of which it is not said whether they were meant are optional. Unchanged where none was meant.
        """
        if not self.for_commands:
            return self
        kept = [act for act in self.acts if act.strength != "spontaneous"]
        acts = tuple(act if act.strength in _MEANT else replace(act, optional=True) for act in kept)
        return replace(self, acts=acts)

    def named(self, *names: str) -> tuple[Stretch, ...]:
        return tuple(stretch for stretch in self.counted if stretch.name in names)

    def only(self, spans: Sequence[Stretch]) -> Labels:
        """The acts and the counted time that lie in these spans."""
        acts = tuple(act for act in self.acts if any(act.time_s in span for span in spans))
        pieces = (
            replace(one, start_s=max(one.start_s, span.start_s), end_s=min(one.end_s, span.end_s))
            for one in self.counted
            for span in spans
        )
        return replace(self, acts=acts, counted=tuple(piece for piece in pieces if piece.seconds > 0))

    def counts_at(self, time_s: float) -> bool:
        return any(time_s in stretch for stretch in self.counted)


def read_labels(
    annotations: Iterable[Annotation],
    events: Sequence[str],
    start_s: float,
    end_s: float,
    *,
    skip_s: float = LEARNING_S,
) -> Labels:
    """The labels for a detector that gives ``events``, in a recording from ``start_s`` to ``end_s``.

    Raises LabelError when nothing concerns the detector or the cues are in an order that makes no sense.
    """
    ordered = sorted(annotations, key=lambda item: item.onset)
    if any(item.label.startswith("step ") for item in ordered):
        labels = _session(_kept(ordered), frozenset(events))
    else:
        ready_s = start_s + skip_s
        found = (_reference(item, frozenset(events), ready_s) for item in ordered)
        counted = _named(ordered, ready_s, end_s)
        labels = Labels(tuple(act for act in found if act is not None), counted, False)
    inside = [act for act in labels.acts if start_s <= act.time_s < end_s]
    if labels.acts and not inside:
        raise LabelError(
            f"all labels lie outside the recording ({start_s:g} to {end_s:g} s): they belong to another one"
        )
    _check_order(labels.acts)
    return replace(labels, acts=tuple(inside))


def _kept(ordered: Sequence[Annotation]) -> list[Annotation]:
    """Without the steps that were repeated."""
    kept: list[Annotation] = []
    for item in ordered:
        if item.label == "step repeated":
            last = max((i for i, other in enumerate(kept) if other.label.startswith("step ")), default=0)
            del kept[last:]
        else:
            kept.append(item)
    return kept


def _session(ordered: Sequence[Annotation], events: frozenset[str]) -> Labels:
    acts: list[Act] = []
    counted: list[Stretch] = []
    step = ""
    aside = ""
    for item in ordered:
        words = item.label.split()
        if item.label.startswith("step "):
            step = words[1] if len(words) > 1 else ""
            counted.append(Stretch(item.onset, item.onset + item.duration, step))
        elif words and words[0] == "cue" and len(words) > 1:
            kind = words[1]
            if kind == "gaze-centre":
                if not aside:
                    raise LabelError(
                        f"at {item.onset:.2f} s the cue is to look back to the centre, but none before it "
                        "was to look aside: the cues are in a wrong order"
                    )
                kind, aside = {"gaze-left": "gaze-right", "gaze-right": "gaze-left"}[aside], ""
                strength = "back"
            else:
                if kind in ("gaze-left", "gaze-right"):
                    if aside:
                        raise LabelError(
                            f"at {item.onset:.2f} s the cue is to look aside again without looking back: "
                            "the cues are in a wrong order"
                        )
                    aside = kind
                strength = words[2] if len(words) > 2 else ""
            if kind in events:
                acts.append(Act(kind, item.onset, item.duration, strength, "asked", verify=step == "verify"))
    return Labels(tuple(acts), _without_overlap(counted), True)


def _without_overlap(counted: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """A step that was cut short ends where the next begins."""
    cut = [
        replace(stretch, end_s=min(stretch.end_s, following.start_s))
        for stretch, following in pairwise(counted)
    ]
    return (*cut, *counted[-1:])


def _named(ordered: Sequence[Annotation], ready_s: float, end_s: float) -> tuple[Stretch, ...]:
    """The whole time, cut where labelled intervals begin and end; what has no label of its own is unnamed.

    A reference is taken to be complete, so all of it counts. Closed eyes may be labelled as the rhythm.
    """
    spans = []
    for item in ordered:
        name = CLOSED if plain(item.label) == "alpha" else plain(item.label)
        if name in (*EVERYDAY, CLOSED):
            if item.duration <= 0:
                if name == CLOSED and kind_of(item.label):
                    continue
                raise LabelError(
                    f"the label {item.label!r} at {item.onset:.2f} s names an interval and has no duration"
                )
            spans.append(Stretch(max(ready_s, item.onset), min(end_s, item.onset + item.duration), name))
    found: list[Stretch] = []
    at_s = ready_s
    for span in _without_overlap(spans):
        if span.start_s > at_s:
            found.append(Stretch(at_s, span.start_s, ""))
        if span.end_s > max(at_s, span.start_s):
            found.append(replace(span, start_s=max(at_s, span.start_s)))
        at_s = max(at_s, span.end_s)
    if end_s > at_s:
        found.append(Stretch(at_s, end_s, ""))
    return tuple(found)


def _reference(item: Annotation, events: frozenset[str], ready_s: float) -> Act | None:
    optional = item.label.strip().endswith("?")
    kind = kind_of(item.label)
    if kind not in events:
        return None
    strength = plain(item.label).removeprefix(kind).strip()
    source: Source = "cued" if item.duration > 0 else "seen"
    # A cue is answered after a reaction; what falls into the learning time may be found, but need not.
    due_s = item.onset + (SHORTEST_REACTION_S if source == "cued" else 0.0)
    is_early = not optional and due_s < ready_s
    return Act(kind, item.onset, item.duration, strength, source, optional or is_early, is_excused=is_early)


def _check_order(acts: Sequence[Act]) -> None:
    for before, after in pairwise(acts):
        apart_s = after.time_s - before.time_s
        if after.source == "asked" and apart_s < _SHORTEST_SPACING_S:
            raise LabelError(
                f"the cues at {before.time_s:.2f} s and {after.time_s:.2f} s are only {apart_s:.2f} s apart: "
                "they are in a wrong order, or two sessions are mixed"
            )
        holding = before.kind == after.kind == "contraction" and before.source == "cued"
        if holding and apart_s < before.duration_s - _MOST_OVERLAP_S:
            raise LabelError(
                f"the cue at {after.time_s:.2f} s begins before the one at {before.time_s:.2f} s has ended: "
                "they are in a wrong order, or two sessions are mixed"
            )
