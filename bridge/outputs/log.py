"""The log output: a line for each action, of every kind."""

from __future__ import annotations

import json
import logging

from bridge.outputs.protocol import OutputCounts
from bridge.rules.actions import Action, Note


class LogOutput:
    """Writes what a rule wants into the daemon's log."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.counts = OutputCounts()
        self._log = logging.getLogger("bridge.actions")

    async def open(self) -> None: ...

    def send(self, action: Action) -> bool:
        said = action.act.text if isinstance(action.act, Note) else action.act.to_json()
        # As JSON: texts of a rule file must not be able to forge or break lines of the log.
        self._log.info(
            "%s: %s (rule %s, %.3f s)", self.name, json.dumps(said), json.dumps(action.rule), action.time
        )
        self.counts.sent += 1
        return True

    def release(self) -> None: ...

    async def close(self) -> None: ...
