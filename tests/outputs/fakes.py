"""A keyboard that only notes what it is told, for the guard's decisions."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.outputs.keyboard import Button, KeyboardGoneError, NotTypableError


class NotedKeyboard:
    """Codes are the characters' code points; ``lacks`` are keys that it does not have."""

    name = "noted"

    def __init__(self, lacks: Iterable[str] = (), title: str | None = "Slides") -> None:
        self.lacks = frozenset(lacks)
        self.title = title
        self.did: list[tuple[str, int]] = []
        self.down_now: set[int] = set()
        self.kept: tuple[int, ...] = ()
        self.gone = False

    def codes(self, key: str) -> tuple[int, ...]:
        self._check()
        if key in self.lacks or not key:
            raise NotTypableError(f"no {key}")
        code = sum(map(ord, key))
        return (1, code) if len(key) == 1 and key.isupper() else (code,)

    def _check(self) -> None:
        if self.gone:
            raise KeyboardGoneError("it has gone")

    def down(self, code: int) -> None:
        self._check()
        assert code not in self.down_now, "a key went down twice"
        self.down_now.add(code)
        self.did.append(("down", code))

    def up(self, code: int) -> None:
        self._check()
        self.down_now.discard(code)
        self.did.append(("up", code))

    def move(self, dx: int, dy: int) -> None:
        self._check()
        self.did.append(("move", dx))

    def click(self, button: Button, times: int) -> None:
        self.did.append(("click", times))

    def scroll(self, x: int, y: int) -> None:
        self.did.append(("scroll", y))

    def keep(self, codes: Iterable[int]) -> None:
        self.kept = tuple(codes)

    def leftovers(self) -> tuple[int, ...]:
        return ()

    def flush(self) -> None:
        self._check()

    def focused_title(self) -> str | None:
        return self.title

    def watch(self, key: str) -> None: ...

    def noticed(self) -> int:
        return 0

    def fileno(self) -> int | None:
        return None

    def poll(self) -> None: ...

    def close(self) -> None: ...
