"""What every detector is: raw samples of its channels in, events and levels out, nothing else.

A detector owns its conditioning (built from ``bridge.signals``), keeps whatever state it needs between
blocks, and sees only the past. The contract every detector passes is in ``tests/detectors/test_contract.py``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, TypeVar

from bridge.detectors.bridging import Bridged
from bridge.detectors.contract import Detector as Detector
from bridge.detectors.contract import Trace as Trace
from bridge.detectors.kinds import EventType, LevelType
from bridge.signals.types import Channel, ChannelKind


class SettingsError(ValueError):
    """A detector's settings hold an unknown name or a value that makes no sense."""


SettingsT = TypeVar("SettingsT")


def settings_from(cls: type[SettingsT], given: Mapping[str, Any]) -> SettingsT:
    """Build a settings dataclass from plain data (a profile, a rule file).

    Raises SettingsError for an unknown name or a value of the wrong type; the dataclass's own
    ``__post_init__`` may raise it for values that make no sense.
    """
    known = {item.name: item for item in fields(cls)}  # type: ignore[arg-type]
    for name, value in given.items():
        if name not in known:
            raise SettingsError(f"unknown setting {name!r}; known: {', '.join(sorted(known))}")
        if value is not None and not isinstance(value, bool | int | float | str):
            raise SettingsError(f"setting {name!r} must be a number, a word or true/false, not {value!r}")
    try:
        return cls(**given)
    except (TypeError, ValueError) as error:
        raise SettingsError(str(error)) from error


@dataclass(frozen=True, slots=True)
class DetectorType:
    """A registry entry: everything the rest of the program must know to offer a detector.

    ``make`` gives the bare detector; what the program uses is made by ``create``, with gaps of up to
    ``longest_bridge_s`` bridged (see ``bridging``): as long as what it looks for can be told without them.
    """

    name: str
    kinds: tuple[ChannelKind, ...]
    events: tuple[EventType, ...]
    levels: tuple[LevelType, ...]
    many_channels: bool  # may several channels feed one detector?
    latency_s: float  # declared bound on decided - onset for `instant` and `start` events
    version: int  # raised when settings of an older version no longer mean the same
    settings: type
    make: Callable[[str, Sequence[Channel], float, Mapping[str, Any]], Detector]
    longest_bridge_s: float
    filters: str = ""  # its conditioning in words, for a profile's evidence
    caution: str = ""  # what a user must know before relying on it; told in the log and on the page
    most_in_10_s: int = 60  # more events than this begin no body's own: see `surplus`

    @property
    def tells(self) -> frozenset[str]:
        """The kinds of all its events and levels."""
        return frozenset([*(event.kind for event in self.events), *(level.kind for level in self.levels)])

    def create(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]
    ) -> Detector:
        """A detector of its own. Raises SettingsError or SamplingRateError."""
        inner = self.make(name, channels, rate_hz, settings)
        return Bridged(inner, channels, rate_hz, self.longest_bridge_s)
