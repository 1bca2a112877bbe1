"""What works in the background: waited for, and not unheard when it fails."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import logging
from collections.abc import Iterator, Sequence

log = logging.getLogger("bridge")


async def all_of(readers: Sequence[asyncio.Future[None]]) -> None:
    await asyncio.gather(*readers)


def failure_of(task: asyncio.Future[None]) -> BaseException | None:
    """Why it ended; None while it runs, and after an end that is meant."""
    if not task.done():
        return None
    if task.cancelled():
        return RuntimeError("a source was given up from within; what it waited for has been cancelled")
    return task.exception()


def tell_failures(tasks: Sequence[asyncio.Future[None]], what: str) -> None:
    """What works in the background must not die unheard."""
    for task in tasks:
        task.add_done_callback(functools.partial(_tell_failure, what))


def _tell_failure(what: str, task: asyncio.Future[None]) -> None:
    error = None if task.cancelled() else task.exception()
    if error is not None:
        log.error("%s has failed and works no more: %s", what, error, exc_info=error)


async def until(event: asyncio.Event) -> None:
    await event.wait()


@contextlib.contextmanager
def reported(what: str) -> Iterator[None]:
    """On the way out one failure must not keep the rest from being closed: log it and go on."""
    try:
        yield
    except Exception:
        log.exception("%s failed", what)
