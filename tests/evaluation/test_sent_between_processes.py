"""What tasks carry to other processes and back can be pickled, in the compiled wheel too.

mypyc makes a frozen dataclass one that cannot be unpickled: its fields are set one by one, which it refuses. So
no dataclass that travels may live in a module that is compiled; what travels is found here by walking the fields.
"""

from __future__ import annotations

import inspect
import subprocess
import sys
import tomllib
import typing
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

from bridge.evaluation import tasks
from bridge.evaluation.corpus import CorpusError, Refused
from bridge.signals.types import Event

ROOT = Path(__file__).resolve().parents[2]
BUILD = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]
COMPILED = frozenset(BUILD["targets"]["wheel"]["hooks"]["custom"]["modules"])

TASKS = [
    item
    for item in vars(tasks).values()
    if inspect.isclass(item) and item.__module__ == tasks.__name__ and "__call__" in vars(item)
]


def named_in(hint: Any) -> Iterator[Any]:
    """The classes, and the kinds of code, that a type hint names."""
    if isinstance(hint, type) and not typing.get_args(hint):
        yield hint
    elif typing.get_origin(hint) is Callable or hint is Callable:
        yield Callable
    for part in typing.get_args(hint):
        yield from named_in(part)


def walked(*starts: Any, compiled: frozenset[str] = COMPILED) -> dict[Any, str]:
    """Every class that is reached through fields of dataclasses that are not compiled, and by which way."""
    found: dict[Any, str] = {}
    waiting = [(start, getattr(start, "__qualname__", str(start))) for start in starts]
    while waiting:
        hint, way = waiting.pop()
        for cls in named_in(hint):
            if cls in found:
                continue
            found[cls] = way
            if is_dataclass(cls) and cls.__module__ not in compiled:
                hints = typing.get_type_hints(cls)
                waiting += [(hints[item.name], f"{way}.{item.name}") for item in fields(cls)]
    return found


def wrong(found: dict[Any, str], compiled: frozenset[str] = COMPILED) -> dict[str, str]:
    """What cannot travel, and the way it was reached."""
    return {
        getattr(cls, "__qualname__", str(cls)): way
        for cls, way in found.items()
        if cls is Callable or cls.__module__ in compiled
    }


def results() -> list[Any]:
    return [typing.get_type_hints(task.__call__)["return"] for task in TASKS]


def test_nothing_that_travels_is_compiled() -> None:
    assert {task.__name__ for task in TASKS} >= {"DetectTask", "EvaluateTask", "FitTask"}
    found = walked(*TASKS, *results(), Refused)
    # It went all the way down: to what a detection and a profile are made of.
    assert {"Event", "Evidence", "Channel", "Score", "Matching"} <= {
        cls.__name__ for cls in found if cls is not Callable
    }
    # A class of ours that is no dataclass would hide what it holds from the walk.
    assert [cls for cls in found if cls.__module__.startswith("bridge.") and not is_dataclass(cls)] == []
    assert wrong(found) == {}


def test_the_walk_finds_what_it_looks_for() -> None:
    @dataclass(frozen=True)
    class Deep:
        event: Event

    @dataclass(frozen=True)
    class Top:
        deep: tuple[dict[str, list[Deep | None]], ...]

    Top.__annotations__["deep"] = tuple[dict[str, list[Deep | None]], ...]
    Deep.__annotations__["event"] = Event
    found = walked(Top)
    assert found[Event] == f"{Top.__qualname__}.deep.event"
    assert wrong(found, frozenset({Event.__module__})) == {"Event": found[Event]}


# The errors of all modules that the work on a recording loads, by itself and not by what else a test run has loaded.
ERRORS = """
import inspect, pickle, sys
import bridge.evaluation.corpus, bridge.evaluation.tasks
from bridge.recordings import csv_file, edf_file, wfdb_file

waiting = [Exception]
while waiting:
    kind = waiting.pop()
    waiting += kind.__subclasses__()
    if kind.__module__.startswith("bridge."):
        own = [*inspect.signature(kind.__init__).parameters][1:] if inspect.isfunction(kind.__init__) else ["why"]
        error = kind(*own)
        back = pickle.loads(pickle.dumps(error))
        assert (type(back), str(back), vars(back)) == (kind, str(error), vars(error)), kind
        print(kind.__name__)
"""


def test_an_error_comes_back_as_it_was() -> None:
    done = subprocess.run([sys.executable, "-c", ERRORS], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert {kind.__name__ for kind in (*tasks.REFUSALS, CorpusError)} <= set(done.stdout.split())
