"""The rule file is watched: a valid new version takes over, an invalid one is refused, the old one stays."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.trust.files import read_regular_file

if TYPE_CHECKING:
    from bridge.rules.schema import RuleFile

log = logging.getLogger("bridge")

_LOOK_EVERY_S = 0.3
_MOST_BYTES = 20_000_000  # the loader refuses less than this by itself, with a reason

Stamp = tuple[int, int, int]


class RefusedRulesError(Exception):
    """The new version cannot be used; the message says why."""


def read_rule_file(path: Path) -> bytes:
    """Raises OSError, also for what is not a regular file or far too large."""
    return read_regular_file(path, _MOST_BYTES)


class RuleWatch:
    """Looks at the file's stamp a few times a second, which works on every file system and for every editor.

    ``use`` puts the new rules in force; it raises RefusedRulesError when they cannot be. ``problems`` is why
    the last version was refused, empty when the newest one is in force.
    """

    def __init__(self, path: Path, current: RuleFile, use: Callable[[RuleFile], None]) -> None:
        self.path = path
        self.rules = current
        self.problems: tuple[str, ...] = ()
        self._use = use
        self._task: asyncio.Task[None] | None = None
        self._stamp = self._look()

    @property
    def tasks(self) -> Sequence[asyncio.Task[None]]:
        return () if self._task is None else (self._task,)

    async def start(self) -> None:
        self._task = asyncio.create_task(self._watch())

    async def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    def _look(self) -> Stamp | None:
        try:
            status = self.path.stat()
        except OSError:
            return None
        return status.st_mtime_ns, status.st_size, status.st_ino

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            stamp = self._look()
            # Editors replace the file or write it in steps: while it is gone, wait for the next look.
            if stamp is not None and stamp != self._stamp:
                self._stamp = stamp
                await self._reload()

    async def _reload(self) -> None:
        from bridge.rules.loader import RuleFileErrors, load

        try:
            # Reading and checking a large file takes a while: not on the loop that carries the signal.
            text = await asyncio.to_thread(read_rule_file, self.path)
            loaded = await asyncio.to_thread(load, text, str(self.path))
            self._use(loaded.rules)
        except RuleFileErrors as errors:
            self.problems = tuple(problem.text(str(self.path)) for problem in errors.problems)
        except RefusedRulesError as error:
            self.problems = (str(error),)
        except OSError as error:
            # An editor may keep it to itself for a moment: look again.
            self._stamp = None
            problems = (f"{self.path}: cannot be read: {error.strerror}",)
            if self.problems == problems:
                return
            self.problems = problems
        else:
            self.problems = ()
            self.rules = loaded.rules
            log.info("the new version of %s is in force", self.path)
            return
        log.warning("the new version of %s is refused, the old one stays in force:", self.path)
        for line in self.problems:
            log.warning("  %s", line)
