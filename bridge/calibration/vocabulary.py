"""The words that labels of a recording are made of; the guide `demos/guides/labels.md` says the same."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.detectors import EVENT_TYPES
from bridge.signals.types import Annotation
from bridge.suggesting import nearest

# Intervals in which nothing was meant as a command, and what the person did.
EVERYDAY: tuple[str, ...] = (
    "everyday",
    "rest",
    "talk",
    "read",
    "write",
    "watch",
    "look around",
    "move",
    "walk",
    "swallow",
    "chew",
)
# Rest with closed eyes, for the eyes-closed rhythm.
CLOSED = "closed"
# What recordings of this program hold besides: the calibration's own prompts, and what was found or sent.
_OWN = ("step ", "cue ", "do ", "event: ", "rule: ", "gap", "end of signal")
_CLOSENESS = 0.7


@dataclass(frozen=True, slots=True)
class Unknown:
    """A label that means nothing here, how often it stands there, and the known one it resembles."""

    label: str
    count: int
    meant: str

    def __str__(self) -> str:
        times = f" ({self.count} times)" if self.count > 1 else ""
        return f"{self.label!r}{times}" + (f", did you mean {self.meant!r}?" if self.meant else "")


def known() -> tuple[str, ...]:
    """Every label, without the ``?`` that makes an event optional."""
    found = []
    for kind, type_ in EVENT_TYPES.items():
        found.append(kind)
        found.extend(f"{kind} {how}" for how in type_.labels)
    return (*found, *EVERYDAY, CLOSED)


def in_words() -> str:
    """The vocabulary as two sentences, for help and messages."""
    kinds = [kind for kind, type_ in EVENT_TYPES.items() if type_.scored]
    how = "; ".join(
        f"{kind} {' | '.join(type_.labels)}" for kind, type_ in EVENT_TYPES.items() if type_.labels
    )
    return (
        f"Events: {', '.join(kinds)}; how they were done, where known: {how}; a ? at the end makes an event "
        f"optional. Intervals in which nothing was meant: {', '.join(EVERYDAY)}; with closed eyes: {CLOSED}."
    )


def plain(label: str) -> str:
    """A label as it is looked up: without ``?``, in lower case, single blanks."""
    return " ".join(label.strip().removesuffix("?").lower().split())


def kind_of(label: str) -> str:
    """The event kind that a label names, whatever it says of how it was done; empty where it names none."""
    kind, _, how = plain(label).partition(" ")
    return kind if kind in EVENT_TYPES and how in ("", *EVENT_TYPES[kind].labels) else ""


def is_known(label: str) -> bool:
    """Is it one of the vocabulary, or of the marks that this program writes into its recordings?"""
    return plain(label) in known() or label.strip().lower().startswith(_OWN)


def unknown_labels(annotations: Iterable[Annotation]) -> list[Unknown]:
    """Labels that are no words of the vocabulary, in order of their first appearance."""
    counts: dict[str, int] = {}
    for item in annotations:
        if not is_known(item.label):
            counts[item.label] = counts.get(item.label, 0) + 1
    return [Unknown(label, count, closest(label)) for label, count in counts.items()]


NOT_UNDERSTOOD = "labels that are not understood"
NOT_WRITTEN = "no profile was written: "  # how `calibrate` begins to say why


def told(unknown: Sequence[Unknown]) -> str:
    """For the user, with the vocabulary; empty where all labels are known."""
    return f"{NOT_UNDERSTOOD}: {'; '.join(map(str, unknown))}. {in_words()}" if unknown else ""


def closest(label: str) -> str:
    """The known label that was probably meant, or nothing: the same words, or nearly spelt so."""
    words = sorted(plain(label).replace("-", " ").replace("_", " ").split())
    for candidate in known():
        if sorted(candidate.replace("-", " ").split()) == words:
            return candidate
    return nearest(plain(label), known(), _CLOSENESS)
