"""A rule file's text in, checked rules out, or all of its errors at once. Files are read by the caller."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from bridge.rules.conflicts import find_conflicts
from bridge.rules.document import DocumentError, Node, read
from bridge.rules.links import Broken, Path, check_links
from bridge.rules.mending import locate, problems_of
from bridge.rules.problems import Problem, RuleFileErrors
from bridge.rules.schema import RuleFile
from bridge.rules.typed import typed_keys

MOST_SHOWN = 100
MOST_MENDED = 400  # looking for the word that was meant takes time; nobody reads more

__all__ = ["Loaded", "Problem", "RuleFileErrors", "load"]


@dataclass(frozen=True, slots=True)
class Loaded:
    """``rules`` is valid; ``warnings`` are what to look at (two rules that hold one key …)."""

    rules: RuleFile
    warnings: tuple[Problem, ...] = ()


# Which of these keys and characters cannot be typed here, and why.
Untypable = Callable[[Iterable[str]], Mapping[str, str]]


def load(text: str | bytes, name: str = "rules.yaml", *, untypable: Untypable | None = None) -> Loaded:
    """Check a whole rule file. ``name`` stands in messages. Raises RuleFileErrors.

    ``untypable``, where the computer that types is this one, adds a warning for each key that it cannot type.
    """
    try:
        root, problems = read(text)
    except DocumentError as error:
        raise RuleFileErrors(name, error.problems) from error
    valid = _validated(root)
    problems += valid.problems
    if valid.rules is not None:
        problems += _linked(valid.rules, valid, root, clean=not problems)
    if valid.rules is not None and untypable is not None and not problems:
        problems += _not_typable(valid.rules, root, untypable)
    errors = [problem for problem in problems if problem.severity == "error"]
    ordered = sorted(_distinct(problems), key=lambda problem: (problem.line, problem.column))
    if errors or valid.rules is None:
        raise RuleFileErrors(name, ordered[:MOST_SHOWN])
    return Loaded(valid.rules, tuple(ordered[:MOST_SHOWN]))


@dataclass(frozen=True, slots=True)
class _Validated:
    """The rules, or what remains of them without the parts that are wrong, so that the rest can be checked.

    ``indexes``: for each list, the index in the file of each item that remains.
    """

    rules: RuleFile | None
    problems: list[Problem]
    broken: Broken
    indexes: dict[str, list[int]]


def _validated(root: Node) -> _Validated:
    try:
        return _Validated(RuleFile.model_validate(root.data), [], Broken(), {})
    except ValidationError as error:
        errors = error.errors(include_url=False)
    problems = problems_of(errors[:MOST_MENDED], root)
    data, broken, indexes = _without([error["loc"] for error in errors], root.data)
    try:
        return _Validated(RuleFile.model_validate(data), problems, broken, indexes)
    except ValidationError:
        return _Validated(None, problems, broken, indexes)


def _without(
    paths: list[tuple[Any, ...]], data: dict[str, Any]
) -> tuple[dict[str, Any], Broken, dict[str, list[int]]]:
    kept = dict(data)
    indexes: dict[str, list[int]] = {}
    sections: set[str] = set()
    outputs: set[str] = set()
    for part in ("rules", "levels", "detectors"):
        wrong = {path[1] for path in paths if len(path) > 1 and path[0] == part}
        items = data.get(part)
        if isinstance(items, list) and wrong:
            indexes[part] = [index for index in range(len(items)) if index not in wrong]
            kept[part] = [items[index] for index in indexes[part]]
            sections.add(part)
    for part in ("outputs", "sources"):
        wrong = {str(path[1]) for path in paths if len(path) > 1 and path[0] == part}
        if wrong and isinstance(data.get(part), dict):
            kept[part] = {key: value for key, value in data[part].items() if key not in wrong}
            if part == "outputs":
                outputs = wrong
            else:
                sections.add(part)
    for path in paths:
        if not path:  # both `source` and `sources`
            kept.pop("source", None)
            sections.add("source")
        elif len(path) == 1 or path[0] in ("source", "modes"):
            kept.pop(path[0], None)
            sections.add(str(path[0]))
    kept["version"] = 1
    return kept, Broken(frozenset(sections), frozenset(outputs)), indexes


def _linked(rules: RuleFile, valid: _Validated, root: Node, *, clean: bool) -> list[Problem]:
    found: list[Problem] = []

    def report(path: Path, what: str, mend: str) -> None:
        found.append(Problem(*_place(path, valid.indexes, root), what, mend))

    check_links(rules, report, valid.broken)
    if clean and not found:
        for conflict in find_conflicts(rules):
            place = _place(conflict.path, valid.indexes, root)
            found.append(Problem(*place, conflict.what, conflict.mend, conflict.severity))
    return found


def _not_typable(rules: RuleFile, root: Node, untypable: Untypable) -> list[Problem]:
    typed = list(typed_keys(rules))
    why = untypable({key for _, key in typed}) if typed else {}
    return [
        Problem(
            *locate(root, path),
            f"the key `{key}` does nothing here: {why[key]}",
            "use another key",
            "warning",
        )
        for path, key in typed
        if key in why
    ]


def _place(path: Path, indexes: dict[str, list[int]], root: Node) -> tuple[int, int]:
    if len(path) > 1 and path[0] in indexes and isinstance(path[1], int):
        path = (path[0], indexes[str(path[0])][path[1]], *path[2:])
    return locate(root, path, key=len(path) > 2 and path[-2] == "settings")


def _distinct(problems: list[Problem]) -> list[Problem]:
    seen: dict[tuple[int, int, str], Problem] = {}
    for problem in problems:
        seen.setdefault((problem.line, problem.column, problem.what), problem)
    return list(seen.values())
