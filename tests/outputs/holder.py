"""A small daemon for the trials: a keystroke output that holds the space bar when a line on stdin says so.

Lines: ``hold``, ``press``, ``fail`` (an exception on the event loop). It says ``ready``, and ends on SIGTERM
or at the end of stdin, letting go of everything as the real daemon does.
"""

from __future__ import annotations

import asyncio
import signal
import sys
import threading

from bridge.outputs.keystrokes import Keystrokes
from bridge.rules.actions import Action, KeyDown, Press


async def main() -> None:
    loop = asyncio.get_running_loop()
    ended: asyncio.Future[None] = loop.create_future()
    keys = Keystrokes("keys")
    await keys.open()
    keys.arm()

    def end() -> None:
        if not ended.done():
            ended.set_result(None)

    def take(line: str) -> None:
        if line == "fail" and not ended.done():
            ended.set_exception(RuntimeError("a detector has failed"))
        elif line == "hold":
            keys.send(Action(0.0, "trial", "keys", KeyDown(("Space",), 60.0)))
        elif line == "press":
            keys.send(Action(0.0, "trial", "keys", Press(("b",))))

    def read() -> None:
        for line in sys.stdin:
            loop.call_soon_threadsafe(take, line.strip())
        loop.call_soon_threadsafe(end)

    loop.add_signal_handler(signal.SIGTERM, end)
    threading.Thread(target=read, daemon=True).start()
    print("ready", keys.guard_pid, flush=True)
    try:
        await ended
    finally:
        await keys.close()


asyncio.run(main())
