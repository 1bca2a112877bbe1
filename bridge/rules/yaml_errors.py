"""What libyaml complains about, in plain words and at the place where the mend belongs."""

from __future__ import annotations

import re

import yaml

from bridge.rules.problems import Problem

_TAB_INDENT = re.compile(r"^[ \t]*\t", re.MULTILINE)
_SHOWN = 100

_MENDS = (
    ("mapping values are not allowed", "a colon where none is expected", "put texts with `: ` in quotes"),
    ("could not find expected ':'", "a colon is missing", "write `key: value`"),
    (
        "did not find expected key",
        "the indentation does not fit, or a key is missing",
        "line it up with the keys above",
    ),
    ("did not find expected '-'", "the indentation does not fit the list", "line it up with those above"),
    ("block sequence entries are not allowed", "a list cannot begin here", "put it on a line of its own"),
    ("found undefined alias", "there is no such anchor", "put texts that begin with `*` in quotes"),
    ("cannot start any token", "this character cannot begin a value", "put the text in quotes"),
    ("unknown escape", "an unknown escape in a quoted text", "use single quotes"),
    ("found undefined tag", "a tag is not known", "put texts that begin with `!` in quotes"),
)  # fmt: skip


def place_of(text: str, index: int) -> tuple[int, int]:
    """Line and column, from 1, of a character of the text."""
    return text.count("\n", 0, index) + 1, index - (text.rfind("\n", 0, index) + 1) + 1


def explained(error: yaml.YAMLError, text: str) -> list[Problem]:
    """The problems behind libyaml's error."""
    mark = getattr(error, "problem_mark", None)
    context = getattr(error, "context_mark", None)
    line = mark.line + 1 if mark is not None else 1
    column = mark.column + 1 if mark is not None else 1
    tabs = [found for found in _TAB_INDENT.finditer(text) if text.count("\n", 0, found.start()) < line]
    if tabs:
        what, mend = "a tab in the indentation", "YAML wants blanks: use two for a step"
        return [Problem(*place_of(text, found.end() - 1), what, mend) for found in tabs[:_SHOWN]]
    within = str(getattr(error, "context", "") or "")
    # The end of the file or a later line is where it was noticed; the opening is where it is mended.
    if context is not None and "quoted scalar" in within:
        what = "the quotation mark opened here is not closed"
        return [Problem(context.line + 1, context.column + 1, what, "add the closing one")]
    if context is not None and "flow" in within:
        if context.line + 1 != line:
            what, mend = "the bracket opened here is not closed", "add the closing one, or a missing comma"
            return [Problem(context.line + 1, context.column + 1, what, mend)]
        what = "a comma or a closing bracket is missing here"
        return [Problem(line, column, what, "look at what comes before")]
    complaint = str(getattr(error, "problem", "") or error).strip().split("\n")[0]
    for sign, what, mend in _MENDS:
        if sign in complaint:
            return [Problem(line, column, what, mend)]
    return [
        Problem(
            line, column, f"this is not YAML: {complaint[:100]}", "look at the marks and indentation here"
        )
    ]
