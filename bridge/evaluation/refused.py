"""What became of an item that gave no result, and of work that could not be spread."""

from __future__ import annotations

from dataclasses import dataclass


class CorpusError(Exception):
    """The work cannot be spread: no processes, or a cluster that is not reached or of another version."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why one item gave no result; the others are not touched by that."""

    text: str


DIED = Refused("each of the processes that worked on it died")
