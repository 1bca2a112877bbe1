"""Ctrl-C and its kin, told on the event loop's thread on every system."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import Final

if sys.platform == "win32":
    # Ctrl-Break, and the console window that is closed.
    ENDING: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGBREAK)
else:
    ENDING: Final = (signal.SIGINT, signal.SIGTERM)


@contextlib.contextmanager
def heard(numbers: Sequence[int], act: Callable[[int], None]) -> Iterator[None]:
    """These signals call ``act`` with their number, on the running loop's thread, as long as this lasts.

    Outside the main thread nothing is heard: Python tells its signals there only.
    """
    loop = asyncio.get_running_loop()
    undo: list[Callable[[], object]] = []
    for number in numbers:
        try:
            loop.add_signal_handler(number, act, number)
            undo.append(functools.partial(loop.remove_signal_handler, number))
        except NotImplementedError:
            # The event loop of Windows; Python's own handler wakes it up.
            with contextlib.suppress(ValueError):
                before = signal.signal(number, lambda told, _: loop.call_soon_threadsafe(act, told))
                undo.append(functools.partial(signal.signal, number, before))
        except (RuntimeError, ValueError):
            continue
    try:
        yield
    finally:
        for each in undo:
            each()
