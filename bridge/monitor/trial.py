"""What other settings would have done: the same detector code, run again over the signal that is kept.

Runs in a thread of its own and pauses often, so that the daemon's loop waits a millisecond or two at most.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from bridge.monitor.history import Columns, History
from bridge.signals.types import Block, Event, StreamInfo

if TYPE_CHECKING:
    from bridge.pipeline import Binding

_SLICE_S = 0.25  # of signal, between two pauses: a millisecond or so of work
_PAUSE_S = 0.0002
_MOST_EVENTS = 1000
_MOST_COLUMNS = 2400


class SupersededError(Exception):
    """A newer question came in while this one was being answered."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The signal that trials run on, held still while somebody tunes."""

    info: StreamInfo
    blocks: tuple[Block, ...]
    start_s: float

    @property
    def seconds(self) -> float:
        return (self.blocks[-1].end - self.blocks[0].first) / self.info.rate if self.blocks else 0.0


@dataclass(frozen=True, slots=True)
class Trial:
    """Events on the shared clock, and the detector's own view as columns (conditioned, upper, lower)."""

    events: tuple[Event, ...]
    first: int
    per_column: int
    columns: Columns


def run(
    snapshot: Snapshot, binding: Binding, settings: Mapping[str, Any], superseded: Callable[[], bool]
) -> Trial:
    """Raises BindingError for settings that make no sense, SupersededError when told to stop."""
    from bridge.pipeline import DetectionChain

    channels = tuple(snapshot.info.channels[column] for column in binding.columns)
    info = StreamInfo(channels, snapshot.info.rate)
    alone = replace(binding, columns=tuple(range(len(channels))), settings=dict(settings))
    chain = DetectionChain(info, [alone], start_s=snapshot.start_s)
    view = History(info, 1, keep_s=snapshot.seconds + 1)
    events: list[Event] = []
    size = max(1, math.ceil(_SLICE_S * info.rate))
    columns = list(binding.columns)
    for block in snapshot.blocks:
        for at in range(0, len(block), size):
            if superseded():
                raise SupersededError
            part = Block(block.samples[at : at + size, columns], block.first + at)
            found = chain.process(part)
            events.extend(item for item in found if isinstance(item, Event) and item.detector)
            view.add(part, chain.detectors)
            time.sleep(_PAUSE_S)
    view.settle()
    own = view.columns(view.first, view.end)[len(channels) :]
    return Trial(tuple(events[-_MOST_EVENTS:]), view.first, view.per_column, own)


def summary(trial: Trial, changed: Sequence[Event]) -> list[dict[str, Any]]:
    """Events for the page, without the ends of what lasts; ``changed`` marks those without a counterpart."""
    return [
        {**event.to_json(), "changed": any(event is other for other in changed)}
        for event in _starts(trial.events)
    ]


def thin(trial: Trial, rate_hz: float, start_s: float) -> tuple[float, float, Columns]:
    """First column's time (s), columns a second, and the view thinned to what a screen can show."""
    import numpy as np

    count = trial.columns.shape[2]
    group = max(1, math.ceil(count / _MOST_COLUMNS))
    rows, parts, _ = trial.columns.shape
    padded = np.full((rows, parts, math.ceil(count / group) * group), np.nan, dtype=np.float32)
    padded[:, :, :count] = trial.columns
    grouped = padded.reshape(rows, parts, -1, group)
    low = np.fmin.reduce(grouped[:, 0], axis=2)
    high = np.fmax.reduce(grouped[:, -1], axis=2)
    per_s = rate_hz / trial.per_column
    return start_s + trial.first / per_s, per_s / group, np.stack([low, high], axis=1)


def changed(
    before: Sequence[Event], after: Sequence[Event], within_s: float = 0.15
) -> tuple[list[Event], list[Event]]:
    """What is gone and what is new; the same kind within ``within_s`` is the same event."""
    gone = []
    new = _starts(after)
    for event in _starts(before):
        same = next(
            (o for o in new if _sort(o) == _sort(event) and abs(o.onset - event.onset) <= within_s), None
        )
        if same is None:
            gone.append(event)
        else:
            new = [other for other in new if other is not same]
    return gone, new


def _sort(event: Event) -> tuple[str, float | None]:
    """A deliberate blink that becomes a spontaneous one is a change."""
    return event.kind, event.values.get("deliberate")


def _starts(events: Sequence[Event]) -> list[Event]:
    return [event for event in events if event.edge != "end"]
