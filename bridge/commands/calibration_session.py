"""A calibration held live in the terminal: a source of its own through a sitting."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from bridge.calibration.cues import Routine
from bridge.recordings.recorder import Recorder
from bridge.service.sitting import BadSignalError, Screen, Sitting
from bridge.service.system_signals import ENDING, heard
from bridge.signals.types import Block, StreamInfo
from bridge.sources.protocol import Source

__all__ = ["BadSignalError", "Session"]


class Session:
    """One source through a routine into a recorder. ``finished``: the routine has come to its end."""

    def __init__(
        self,
        source: Source,
        recorder: Recorder,
        routine: Routine,
        screen: Screen,
        *,
        force: bool = False,
        accept: Callable[[StreamInfo], None] | None = None,
    ) -> None:
        """``accept`` may refuse what the source carries by raising, before anything is recorded."""
        self._source, self._accept = source, accept
        self._sitting = Sitting(recorder, routine, screen, force=force, source=source)
        self._stop = asyncio.Event()
        self._failure: Exception | None = None

    @property
    def finished(self) -> bool:
        return self._sitting.finished

    @property
    def seconds(self) -> float:
        return self._sitting.seconds

    async def run(self) -> None:
        """Raises SourceError, RecordingError or BadSignalError. What was recorded stays, whatever happens."""
        with heard(ENDING, lambda _: self._stop.set()):
            await self._hold()
        if self._failure is not None:
            raise self._failure

    async def _hold(self) -> None:
        try:
            info = await self._source.open()
            if self._accept is not None:
                self._accept(info)
            self._sitting.open(info)
            reading = asyncio.ensure_future(self._source.run(self._take))
            stopped = asyncio.ensure_future(self._stop.wait())
            await asyncio.wait({reading, stopped}, return_when=asyncio.FIRST_COMPLETED)
            failed = reading.exception() if reading.done() and not reading.cancelled() else None
            for task in (reading, stopped):
                task.cancel()
            await asyncio.gather(reading, stopped, return_exceptions=True)
            if failed is not None:
                raise failed
        finally:
            await self._source.close()
            self._sitting.close()

    def _take(self, block: Block) -> None:
        if self._stop.is_set():
            return
        try:
            self._sitting.take(block)
        except Exception as error:
            self._failure = error
            self._stop.set()
        if self._sitting.over:
            self._stop.set()
