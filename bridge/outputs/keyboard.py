"""What a way of typing has to do. Loaded by the guard: imports nothing heavy."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, Protocol

UINPUT = "/dev/uinput"

Button = Literal["left", "middle", "right"]


class KeyboardError(Exception):
    """This way of typing is not to be had here; the message says why and what to do."""


class KeyboardGoneError(Exception):
    """The screen session has ended; nothing is down any more."""


class NotTypableError(Exception):
    """The key cannot be typed here; the message says why."""


class Keyboard(Protocol):
    """Presses and releases by code. Every method may raise KeyboardGoneError.

    A code is whatever identifies a physical key to the system; codes stay valid while they are down, even
    if the layout changes.
    """

    name: str

    def codes(self, key: str) -> tuple[int, ...]:
        """The codes to press, in order, for a key name or character. Raises NotTypableError."""
        ...

    def down(self, code: int) -> None: ...

    def up(self, code: int) -> None: ...

    def move(self, dx: int, dy: int) -> None: ...

    def click(self, button: Button, times: int) -> None: ...

    def scroll(self, x: int, y: int) -> None: ...

    def keep(self, codes: Iterable[int]) -> None:
        """Note, where a later guard finds it, what is down. Takes effect with the next ``flush``."""
        ...

    def leftovers(self) -> tuple[int, ...]:
        """Codes that guards before this one left down."""
        ...

    def flush(self) -> None:
        """Make sure that everything so far is on its way."""
        ...

    def focused_title(self) -> str | None:
        """Title of the window that has the focus, None when there is none. Raises NotTypableError when
        this system does not tell."""
        ...

    def watch(self, key: str) -> None:
        """From now on notice when the person presses this key, whatever has the focus; nobody else gets it.

        Raises NotTypableError where the system or the layout does not allow that.
        """
        ...

    def noticed(self) -> int:
        """How often the watched key was pressed since the last call; its automatic repeats do not count."""
        ...

    def fileno(self) -> int | None:
        """What becomes readable when ``poll`` has something to do."""
        ...

    def poll(self) -> None:
        """Take in what the system has to say: a new layout, the end of the session."""
        ...

    def close(self) -> None: ...
