"""What the service lends to the monitor: callables, because the monitor never imports the service."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from bridge.outputs.standing import Standing
    from bridge.pipeline import Pipeline


@dataclass(frozen=True, slots=True)
class Health:
    """How the daemon does. Latency: from a sample's arrival to the action at its output, in milliseconds.

    ``recording_problem``: why the recording ended early, where it did.
    """

    latency_median_ms: float | None = None
    latency_p99_ms: float | None = None
    lost_samples: int = 0
    skipped_lines: int = 0
    recording_problem: str | None = None


@dataclass(frozen=True, slots=True)
class LoadedRule:
    """One rule or level rule: the name that its actions carry, and what it does in a plain sentence."""

    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class LoadedRules:
    """The rules in force. ``problems``: why the last reload was refused, one line each, with its place.

    ``reaches``: each source and output, with the hosts, ports, files and logins that it reaches.
    """

    file: str = ""
    rules: tuple[LoadedRule, ...] = ()
    problems: tuple[str, ...] = ()
    reaches: tuple[str, ...] = ()


class Calibration(Protocol):
    """The routine of the terminal, held from the page. ``version`` counts every change of ``state``."""

    @property
    def version(self) -> int: ...

    def state(self) -> dict[str, Any]: ...

    def start(self, detectors: Sequence[str], *, few: bool, force: bool, slower: float) -> None:
        """Raises ValueError with a reason for the person."""
        ...

    def press(self, what: str) -> None: ...

    def keep(self) -> None:
        """Raises ValueError or OSError with a reason for the person."""
        ...


@dataclass(frozen=True, slots=True)
class Service:
    """Called on the event loop's thread; none of these may block.

    ``standing`` says what is sent now. ``pause`` returns why it was refused, or nothing. ``keep`` writes a
    detector's settings into the profile and uses them from now on; it raises ValueError or OSError with a
    reason for the user, and is None where that cannot be; ``can_keep`` says whether there is a profile now.
    ``calibration`` is None where no person sits at the other end of the source. ``metrics`` are counters as
    text, and their media type. ``cautions`` stand above everything until the person has read them.
    """

    pipeline: Callable[[], Pipeline | None]
    standing: Callable[[], Standing]
    pause: Callable[[bool], str]
    arm: Callable[[bool], str]
    health: Callable[[], Health] = Health
    rules: Callable[[], LoadedRules] = LoadedRules
    keep: Callable[[str, Mapping[str, Any]], None] | None = None
    can_keep: Callable[[], bool] = lambda: True
    calibration: Calibration | None = None
    metrics: Callable[[], tuple[bytes, str]] | None = None
    dry_run: bool = False
    cautions: str = ""
