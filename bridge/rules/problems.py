"""What is wrong with a rule file: where, what, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

Severity = Literal["error", "warning"]


@dataclass(frozen=True, slots=True)
class Problem:
    """``line`` and ``column`` count from 1, columns in characters."""

    line: int
    column: int
    what: str
    mend: str = ""
    severity: Severity = "error"

    def text(self, name: str) -> str:
        """One line for people and editors: ``file:line:column: message``."""
        kind = "warning: " if self.severity == "warning" else ""
        mend = f"; {self.mend}" if self.mend else ""
        return f"{name}:{self.line}:{self.column}: {kind}{self.what}{mend}"

    def to_json(self, name: str) -> dict[str, Any]:
        return {
            "file": name,
            "line": self.line,
            "column": self.column,
            "severity": self.severity,
            "message": self.what,
            "mend": self.mend,
        }


class RuleFileErrors(Exception):  # noqa: N818  # it holds many
    """The file is refused. ``problems`` holds all errors at once, and the warnings, in order of place."""

    def __init__(self, name: str, problems: Sequence[Problem]) -> None:
        self.name = name
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.text(name) for problem in self.problems))
