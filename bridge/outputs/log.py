"""The log output: a line for each action, of every kind, up to so many a second of the signal."""

from __future__ import annotations

import json
import logging

from bridge.outputs.limits import LOG_PER_S, RateLimit
from bridge.outputs.protocol import OutputCounts
from bridge.rules.actions import Action, Note


class LogOutput:
    """Writes what a rule wants into the daemon's log."""

    def __init__(self, name: str, *, per_second: float = LOG_PER_S) -> None:
        self.name = name
        self._limit = RateLimit(per_second)
        self.counts = OutputCounts()
        self._log = logging.getLogger("bridge.actions")

    async def open(self) -> None: ...

    def send(self, action: Action) -> bool:
        # In time of the signal: a recording that is run fast leaves the lines that it would have left live.
        if not self._limit.admit(action.time):
            self.counts.refused += 1
            self.counts.problem = f"more than {self._limit.per_second:g} lines a second"
            return False
        said = action.act.text if isinstance(action.act, Note) else action.act.to_json()
        # As JSON: texts of a rule file must not be able to forge or break lines of the log.
        self._log.info(
            "%s: %s (rule %s, %.3f s)", self.name, json.dumps(said), json.dumps(action.rule), action.time
        )
        self.counts.sent += 1
        return True

    def release(self) -> None: ...

    async def close(self) -> None: ...
