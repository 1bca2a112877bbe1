"""What every output is: it opens, takes actions without ever blocking, and closes leaving nothing stuck."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from bridge.rules.actions import Action


class OutputError(Exception):
    """The output cannot be used; the message says why and what to do. Other outputs go on."""


@dataclass(slots=True)
class OutputCounts:
    sent: int = 0
    refused: int = 0  # by a limit, disarmed, not typable, unreachable
    dropped: int = 0  # too old or too many while the other side was away
    problem: str = ""  # what went wrong last, in words; empty while all is well


class Output(Protocol):
    name: str
    counts: OutputCounts

    async def open(self) -> None:
        """Connect. Raises OutputError when it can never work; a peer that is away is not an error."""
        ...

    def send(self, action: Action) -> bool:
        """Send at once or hand to the operating system; never block, never raise. False when refused."""
        ...

    def release(self) -> None:
        """Let go of everything that is held (keys, mouse buttons)."""
        ...

    async def close(self) -> None:
        """Release, then disconnect. May be called twice."""
        ...


@runtime_checkable
class Armed(Protocol):
    """An output that sends nothing until it is armed: the hands on the computer."""

    def arm(self) -> None: ...

    def disarm(self) -> None:
        """Let go of everything and refuse until armed again."""
        ...


@runtime_checkable
class Readiness(Protocol):
    """A keystroke output that knows whether it could send now."""

    def unready(self) -> str:
        """Why nothing can be sent, in words; empty when it can."""
        ...


@runtime_checkable
class Announcing(Protocol):
    """An output that tells the world the daemon's state (``online``, ``paused``, ``disarmed`` …)."""

    def announce(self, state: str) -> None: ...


@runtime_checkable
class Working(Protocol):
    """An output that works in the background. The daemon tells when that fails."""

    @property
    def tasks(self) -> Sequence[asyncio.Task[None]]:
        """While it is open; empty before."""
        ...


@runtime_checkable
class PauseKeyed(Protocol):
    """An output that notices the person's pause key, whatever program has the focus."""

    def when_pause_key(self, act: Callable[[], None]) -> None:
        """Call ``act`` on the event loop's thread at each press."""
        ...
