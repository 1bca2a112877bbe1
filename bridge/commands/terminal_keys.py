"""Single keys from the terminal without Return, on every system that has a way to them."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from typing import TypeAlias

NextKey: TypeAlias = Callable[[], str]

if sys.platform == "win32":
    import msvcrt

    @contextlib.contextmanager
    def _single_keys() -> Iterator[NextKey]:
        def next_key() -> str:
            return msvcrt.getwch() if msvcrt.kbhit() else ""

        yield next_key

else:
    import select
    import termios
    import tty

    @contextlib.contextmanager
    def _single_keys() -> Iterator[NextKey]:
        descriptor = sys.stdin.fileno()
        before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)

        def next_key() -> str:
            return sys.stdin.read(1) if select.select([sys.stdin], [], [], 0)[0] else ""

        try:
            yield next_key
        finally:
            termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


@contextlib.contextmanager
def single_keys() -> Iterator[NextKey]:
    """A function that returns the key that was pressed, empty when none was; it never waits.

    Where stdin is no terminal there are no keys.
    """
    if sys.stdin is None or not sys.stdin.isatty():
        yield lambda: ""
        return
    with _single_keys() as next_key:
        yield next_key
