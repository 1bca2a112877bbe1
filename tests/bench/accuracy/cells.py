"""One piece of work: a recording, changed or not, gone through by our detector or by libraries, and scored.

Cells are independent of each other, so they are spread over processes, and kept by what they depend on: the
files, the code, and themselves.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import astuple, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.progress import track

from bridge.detectors import DETECTORS
from bridge.evaluation.families import marks, scorable, scored_kinds
from bridge.evaluation.matching import match
from bridge.evaluation.running import LEARNING_S, bind_detector, run
from bridge.evaluation.scores import latency_ms, score
from bridge.pipeline import Binding
from bridge.signals.types import Event
from tests.bench.accuracy import libraries, variants
from tests.bench.accuracy.material import DATA, PACKAGED, Item, Loaded, cut, samples_of

ROOT = Path(__file__).resolve().parents[3]
CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "biosignal-bridge" / "accuracy"
OURS, LIBRARIES = "biosignal-bridge", "libraries"
# Sources that decide what is found and how it is scored; changing a page does not ask for new figures.
_CODE = ("bridge/signals", "bridge/detectors", "bridge/recordings", "bridge/evaluation", "bridge/pipeline.py")
_FITS = ("bridge/calibration",)
_BENCH = ("cells.py", "libraries.py", "material.py", "variants.py")


@dataclass(frozen=True, slots=True)
class Cell:
    """``by``: our detector or the libraries. ``until_s``: only so much of the recording."""

    item: Item
    by: str = OURS
    change: str = ""
    until_s: float | None = None

    @property
    def name(self) -> str:
        return " ".join(filter(None, (self.item.set, self.item.name, self.by, self.change)))

    def __call__(self) -> list[dict[str, Any]]:
        """A row of figures for each detector that was tried."""
        loaded = self.item.load()
        if self.until_s is not None:
            loaded = cut(loaded, loaded.recording.first / loaded.recording.info.rate, self.until_s)
        if self.change:
            changed = variants.changed(loaded, self.change, seed=_number(self.item.name))
            if changed is None:
                return []
            loaded = changed
        found = _ours(self.item, loaded) if self.by == OURS else _theirs(self.item, loaded)
        head = {
            "set": self.item.set,
            "person": self.item.person,
            "recording": self.item.name,
            "session": self.item.session,
            "change": self.change,
        }
        return [
            {**head, "by": by, **scored(self.item.detector, loaded, events)} for by, events in found.items()
        ]


def bound(item: Item, loaded: Loaded) -> Binding:
    (binding,) = bind_detector(loaded.recording, item.detector, [name for name, _ in item.channels])
    return binding


def _ours(item: Item, loaded: Loaded) -> dict[str, list[Event]]:
    return {OURS: run(loaded.recording, bound(item, loaded)).events}


def _theirs(item: Item, loaded: Loaded) -> dict[str, list[Event]]:
    detect, kind, edge = libraries.FOR[item.detector]
    found = detect(samples_of(loaded.recording), loaded.recording.info.rate)
    return {
        name: [Event(kind, edge, float(t), float(t), "") for t in np.sort(times)]
        for name, times in found.items()
    }


def scored(detector: str, loaded: Loaded, events: Sequence[Event]) -> dict[str, Any]:
    """Counts by the evaluation's own matching, after the learning time and outside what is excluded."""
    kinds = scored_kinds(loaded.reference, DETECTORS[detector].events)
    outside = _outside(loaded)
    wanted = [mark for mark in marks(loaded.reference, kinds) if outside(mark.onset_s)]
    detected = [event for event in scorable(events, kinds) if outside(event.onset)]
    from_s = loaded.recording.first / loaded.recording.info.rate + LEARNING_S
    matching = match(wanted, detected, from_s=from_s)
    gone_s = sum(end - max(from_s, begun) for begun, end in loaded.excluded if end > from_s)
    seconds = loaded.recording.seconds - LEARNING_S - gone_s
    figures = score(matching, loaded.recording.seconds, seconds, 0.0)
    after_end = [
        event.decided - event.onset - event.values.get("duration", 0.0) / 2 for _, event in matching.found
    ]
    return {
        "tp": figures.true_positives,
        "fn": figures.false_negatives,
        "fp": figures.false_positives,
        "minutes": seconds / 60,
        "latency": latency_ms([event.decided - event.onset for _, event in matching.found]),
        "after_end": latency_ms(after_end) if detector == "blink" else None,
    }


def _outside(loaded: Loaded) -> Callable[[float], bool]:
    spans = loaded.excluded
    return lambda time_s: not any(begun <= time_s <= ended for begun, ended in spans)


# -- doing many, and keeping what is done ---------------------------------------------------------------


@lru_cache
def _digest(paths: tuple[str, ...]) -> str:
    """Of the contents of files and folders of the project."""
    total = hashlib.sha256()
    for path in paths:
        place = ROOT / path
        for file in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            total.update(file.read_bytes())
    return total.hexdigest()


@lru_cache
def _file_digest(name: str) -> str:
    return hashlib.sha256((DATA / name).read_bytes()).hexdigest()


def key(work: Any, files: Sequence[str], fits: bool = False) -> str:
    """What the result of a piece of work depends on."""
    code = (*_CODE, *(f"tests/bench/accuracy/{name}" for name in _BENCH), *(_FITS if fits else ()))
    if getattr(work, "by", OURS) == LIBRARIES:
        code = tuple(f"tests/bench/accuracy/{name}" for name in _BENCH)
    data = [_file_digest(file) for file in files if file and file not in PACKAGED]
    said = json.dumps([type(work).__name__, astuple(work), data, _digest(code)], default=str)
    return hashlib.sha256(said.encode()).hexdigest()


def files_of(item: Item) -> list[str]:
    files = [item.file, item.reference]
    if item.file.endswith(".hea"):
        files.append(item.file.replace(".hea", ".dat"))
    return files


def _kept(work: Callable[[], list[dict[str, Any]]], place: Path) -> None:
    """Done and kept in the process that does it, so that a run that is ended loses only what it is at."""
    draft = place.with_suffix(f".{os.getpid()}")
    draft.write_text(json.dumps(work()), encoding="utf-8")
    draft.replace(place)


def all_done(
    what: str, works: Mapping[str, Any], keys: Mapping[str, str], workers: int
) -> dict[str, list[dict[str, Any]]]:
    """Each piece of work done, or taken from what is kept; with a bar. Results by name, in the order given."""
    CACHE.mkdir(parents=True, exist_ok=True)
    places = {name: CACHE / f"{keys[name]}.json" for name in works}
    todo = [name for name in works if not places[name].exists()]
    begun = time.monotonic()
    with ProcessPoolExecutor(workers) as pool:
        futures = {name: pool.submit(_kept, works[name], places[name]) for name in todo}
        for name in track(todo, what, console=Console(stderr=True)):
            try:
                futures[name].result()
            except Exception as error:  # the page must not lose all the rest to one recording
                print(f"{what}: {name}: {type(error).__name__}: {error}", file=sys.stderr)
    print(f"{what}: {len(todo)} of {len(works)} in {time.monotonic() - begun:.0f} s", file=sys.stderr)
    return {name: json.loads(place.read_text()) for name, place in places.items() if place.exists()}


def cells_done(what: str, cells: Sequence[Cell], workers: int) -> list[dict[str, Any]]:
    works = {f"{number} {cell.name}": cell for number, cell in enumerate(cells)}
    keys = {name: key(cell, files_of(cell.item)) for name, cell in works.items()}
    return [row for rows in all_done(what, works, keys, workers).values() for row in rows]


def _number(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")
