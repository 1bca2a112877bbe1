"""A small daemon for the trials: a keystroke output that does what lines on stdin say.

Lines: ``hold [KEY …]`` (the space bar), ``press [KEY …]`` (b), ``type TEXT``, ``mouse DX DY BUTTON CLICKS SCROLL_X
SCROLL_Y`` (`-` for no button), ``fail`` (an exception on the event loop). It says ``ready``, and ends on SIGTERM or at
the end of stdin, letting go of everything as the real daemon does.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading

from bridge.outputs.keystrokes import Keystrokes
from bridge.outputs.limits import KEYSTROKES_PER_S
from bridge.rules.actions import Act, Action, KeyDown, Mouse, Press, TypeText


def act_of(line: str) -> Act | None:
    """What a line asks the output to do; None for other lines."""
    word, *rest = line.split(" ")
    if word == "hold":
        return KeyDown(tuple(rest or ["Space"]), 60.0)
    if word == "press":
        return Press(tuple(rest or ["b"]))
    if word == "type":
        return TypeText(" ".join(rest))
    if word == "mouse":
        dx, dy, button, clicks, scroll_x, scroll_y = rest
        return Mouse(int(dx), int(dy), button.strip("-"), int(clicks), int(scroll_x), int(scroll_y))
    return None


async def main() -> None:
    loop = asyncio.get_running_loop()
    ended: asyncio.Future[None] = loop.create_future()
    per_second = float(os.environ.get("HOLDER_PER_SECOND", KEYSTROKES_PER_S))
    keys = Keystrokes("keys", per_second=per_second)
    await keys.open()
    keys.arm()

    def end() -> None:
        if not ended.done():
            ended.set_result(None)

    def take(line: str) -> None:
        if line == "fail" and not ended.done():
            ended.set_exception(RuntimeError("a detector has failed"))
        elif (act := act_of(line)) is not None:
            keys.send(Action(0.0, "trial", "keys", act))

    def read() -> None:
        for line in sys.stdin:
            loop.call_soon_threadsafe(take, line.rstrip("\n"))
        loop.call_soon_threadsafe(end)

    loop.add_signal_handler(signal.SIGTERM, end)
    threading.Thread(target=read, daemon=True).start()
    print("ready", keys.guard_pid, flush=True)
    try:
        await ended
    finally:
        await keys.close()


if __name__ == "__main__":
    asyncio.run(main())
