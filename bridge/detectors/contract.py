"""What every detector does, and what it shows. For a module of its own see ``protocol``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

from bridge.signals.types import Block, Detection, Samples


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A detector's own view of the last block, for plots: one value a sample, NaN where there is none yet.

    ``conditioned``: the signal that is compared; ``upper``/``lower``: the thresholds it is compared with.
    """

    first: int
    conditioned: Samples
    upper: Samples
    lower: Samples


class Detector(Protocol):
    """See the module's text. ``name`` is what rules call it; ``settings`` is a frozen dataclass."""

    name: str

    @property
    def settings(self) -> Any: ...

    @property
    def trace(self) -> Trace | None: ...

    def process(self, block: Block) -> list[Detection]:
        """Take the next samples, shape (n, own channels); return what was decided, in order of time.

        A jump in ``block.first`` is a gap: filters start anew, a state that was open ends, the scale that
        was learnt stays.
        """
        ...

    def flush(self) -> list[Detection]:
        """The stream has ended or is muted: end what is open (edge ``end``)."""
        ...

    def reset(self) -> None:
        """Be as new."""
        ...


@runtime_checkable
class TwoSteps(Detector, Protocol):
    """A detector whose conditioning no setting changes, so that who tries many settings does it once.

    ``process`` is the one after the other.
    """

    def condition(self, block: Block) -> Sequence[tuple[float, float]]:
        """For each sample the signal that is compared, NaN where there is none, and what stands beside it."""
        ...

    def decide(self, first: int, conditioned: Sequence[tuple[float, float]]) -> list[Detection]:
        """What was decided in a block that begins with sample ``first``."""
        ...
