"""What the tests of the outputs share: actions, an armed keystroke output, and waiting on the event loop."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from bridge.outputs.keystrokes import Keystrokes
from bridge.rules.actions import Act, Action


def act(what: Act, window: str = "") -> Action:
    return Action(0.0, "a rule", "keys", what, window=window)


@asynccontextmanager
async def at_work(output: Keystrokes | None = None) -> AsyncIterator[Keystrokes]:
    """An armed keystroke output."""
    output = output or Keystrokes("keys")
    await output.open()
    try:
        output.arm()
        yield output
    finally:
        await output.close()


async def until(condition: Callable[[], Any], within_s: float = 15.0) -> None:
    """Raises TimeoutError when it does not come true."""
    async with asyncio.timeout(within_s):
        while not condition():
            await asyncio.sleep(0.005)
