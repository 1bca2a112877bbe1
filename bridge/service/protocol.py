"""What can be attached to the daemon: taps see what passes, companions run beside it.

Not compiled: a protocol that is looked for at run time stays a Python class.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any, Protocol, runtime_checkable

from bridge.rules.actions import Action
from bridge.service.dispatch import Result
from bridge.signals.types import Block, Detection, StreamInfo


class Tap(Protocol):
    """Sees everything that passes; must not block. Recorder, page, terminal view, printer."""

    def opened(self, infos: Mapping[str, StreamInfo]) -> None: ...

    def block(self, stream: str, block: Block) -> None: ...

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, Result]]) -> None: ...

    def closed(self) -> None: ...


@runtime_checkable
class Reporting(Protocol):
    """A tap with something to say in the status, such as a recording that has failed."""

    def report(self) -> Mapping[str, Any]: ...


class Companion(Protocol):
    """Runs beside the daemon for its life: control channel, page, metrics, supervisor, rule file watch."""

    @property
    def tasks(self) -> Sequence[asyncio.Future[None]]:
        """What it does in the background; the daemon tells when one of these fails."""
        ...

    async def start(self) -> None:
        """Raises OSError when it cannot; the daemon goes on without it, as after any other failure."""
        ...

    async def stop(self) -> None: ...
