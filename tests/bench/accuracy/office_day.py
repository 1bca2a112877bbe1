"""What each ready rule file would have sent while nobody was commanding.

Eyes: the office and head-band recordings, in which people worked at a screen. Arms: the rests between the
gestures of an arm that is asked to act every few seconds, which is no everyday life; said apart. Events come
from the detectors as the daemon runs them, and go through the file's own rules. A profile is fitted to the first
ten minutes (half of a shorter recording), in which every blink was spontaneous, and tried on what comes after.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from bridge.calibration.intervals import poisson_interval
from bridge.calibration.labels import LabelError
from bridge.calibration.profile import DetectorProfile, Profile, part_of
from bridge.evaluation.from_recording import calibrate
from bridge.evaluation.running import run
from bridge.pipeline import Binding, Wanted, bind, can_bind
from bridge.rules.actions import KeyUp, SetMode, SetPaused
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.rules.schema import RuleFile
from bridge.service.assembly import detectors_for, kinds_heard
from bridge.signals.types import Event
from tests.bench.accuracy.by_person import Figure
from tests.bench.accuracy.cells import OURS, ROOT, all_done, files_of, key
from tests.bench.accuracy.fitted import spontaneous
from tests.bench.accuracy.material import Item, Loaded, cut

CONFIGS = ROOT / "configs"
FIRST_S = 600.0
_DATE = "2026-01-01T00:00:00+00:00"
_DRAWS = 2000
# An arm that was asked to act: from just before a mark to a while after it (s) is no rest.
_BEFORE_S, _AFTER_S = 0.5, 1.5
EYES = ("blink", "drowsiness", "gaze")
PLAIN, LATER, FITTED = "whole, default", "later part, default", "later part, fitted"
LINE = "# Unasked:"


@dataclass(frozen=True, slots=True)
class Watch:
    """One recording, listened to by every ready file that can use it."""

    item: Item
    texts: tuple[tuple[str, str], ...]
    by: str = OURS

    def __call__(self) -> list[dict[str, Any]]:
        whole = self.item.load()
        rate_hz = whole.recording.info.rate
        start_s, end_s = whole.recording.first / rate_hz, whole.recording.end / rate_hz
        middle_s = min(start_s + FIRST_S, (start_s + end_s) / 2)
        first, later = cut(whole, start_s, middle_s), cut(whole, middle_s, end_s)
        rows: list[dict[str, Any]] = []
        known: dict[tuple[str, str], list[Event]] = {}
        profile, refused = _profile(
            first, [name for name in DETECTED if can_bind(whole.recording.info, name)]
        )
        ways: tuple[tuple[str, Loaded, Profile | None], ...] = (
            (PLAIN, whole, None),
            (LATER, later, None),
            (FITTED, later, profile),
        )
        for file, text in self.texts:
            rules = load(text, file).rules
            wanted = detectors_for(kinds_heard(rules))
            heard = [name for name in wanted if can_bind(whole.recording.info, name)]
            if not heard or rules_of_people(rules) is None:
                continue
            for way, part, fit in ways:
                for name in heard:
                    if (way, name) not in known:
                        binding = _bound(part, name)
                        fitted = binding if fit is None else binding.fitted(part.recording.info, fit)
                        known[way, name] = run(part.recording, fitted).events
                events = sorted(
                    (event for name in heard for event in known[way, name]), key=lambda event: event.decided
                )
                times = sent(rules, events, part.recording.end / rate_hz)
                resting = _resting(part) if self.item.detector == "contraction" else _always
                rows.append(
                    {
                        "file": file,
                        "set": self.item.set,
                        "person": self.item.person,
                        "way": way,
                        "missing": [name for name in wanted if name not in heard],
                        "actions": sum(resting(time) for time in times),
                        "hours": _hours(part, resting),
                        "refused": {name: why for name, why in refused.items() if name in heard},
                    }
                )
        return rows


DETECTED = ("blink", "drowsiness", "gaze", "contraction")


def rules_of_people(rules: RuleFile) -> RuleFile | None:
    """None for a simulated person, who is always acting."""
    return None if any(source.type == "synthetic" for source in rules.all_sources.values()) else rules


def _bound(loaded: Loaded, detector: str) -> Binding:
    return bind(loaded.recording.info, [Wanted(detector)])[0]


def _profile(first: Loaded, detectors: Sequence[str]) -> tuple[Profile, dict[str, str]]:
    """What can be fitted, and why the rest was refused."""
    parts: dict[str, DetectorProfile] = {}
    refused: dict[str, str] = {}
    for name in detectors:
        try:
            made = calibrate(first.recording, _bound(first, name), spontaneous(first.reference))
        except LabelError as error:
            refused[name] = str(error)
            continue
        parts[name] = part_of(made.fitted, made.channels, first.recording.info.rate, _DATE)
    return Profile("one", "bench", parts), refused


def sent(rules: RuleFile, events: Sequence[Event], end_s: float) -> list[float]:
    """When the rules would have sent something; letting go of a key and changes inside do not count."""
    engine = Engine(rules)
    actions = [action for event in events for action in engine.process(event)]
    actions += engine.advance(end_s)
    return [action.time for action in actions if not isinstance(action.act, KeyUp | SetMode | SetPaused)]


def _always(_: float) -> bool:
    return True


def _resting(loaded: Loaded) -> Callable[[float], bool]:
    spans = [(mark.onset - _BEFORE_S, mark.onset + mark.duration + _AFTER_S) for mark in loaded.reference]
    return lambda time_s: not any(low <= time_s <= high for low, high in spans)


def _hours(loaded: Loaded, counted: Callable[[float], bool]) -> float:
    rate_hz = loaded.recording.info.rate
    times = np.arange(loaded.recording.first / rate_hz, loaded.recording.end / rate_hz, 0.1)
    return float(sum(map(counted, times.tolist()))) * 0.1 / 3600


def watches(items: Sequence[Item]) -> Iterator[Watch]:
    """The forehead by one electrode, as the files say; the eyes' vertical and horizontal channels; one arm's."""
    texts = tuple(
        (path.name, _plain(path.read_text(encoding="utf-8"))) for path in sorted(CONFIGS.glob("*.yaml"))
    )
    for item in items:
        if item.set == "band forehead":
            yield Watch(replace(item, channels=item.channels[:1]), texts)
        elif item.set == "office":
            yield Watch(item, texts)
            yield Watch(replace(item, channels=(("horizontal", "eog-horizontal"),)), texts)
        elif item.set == "gestures, 8 electrodes":
            yield Watch(replace(item, channels=item.channels[:1]), texts)


def rows_of(items: Sequence[Item], workers: int) -> list[dict[str, Any]]:
    works = {f"{one.item.set} {one.item.name} {one.item.channels[0][0]}": one for one in watches(items)}
    keys = {name: key(one, files_of(one.item), fits=True) for name, one in works.items()}
    return [row for rows in all_done("office day", works, keys, workers).values() for row in rows]


def an_hour(counts: Sequence[tuple[int, float]]) -> Figure:
    """Actions an hour. The interval is the wider of that over people and that of counting (exact, Garwood 1936)."""
    table = np.asarray(counts, dtype=np.float64)
    actions, hours = table.sum(axis=0)
    counted = poisson_interval(int(actions), float(hours))
    draws = table[np.random.default_rng(0).integers(0, len(table), (_DRAWS, len(table)))].sum(axis=1)
    low, high = np.quantile(draws[:, 0] / draws[:, 1], [0.025, 0.975])
    return Figure(float(actions / hours), min(float(low), counted.low), max(float(high), counted.high))


def summary(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """By file: what the eyes' recordings and the arms' rests would have sent, in the three ways."""
    figures: dict[str, Any] = {}
    for path in sorted(CONFIGS.glob("*.yaml")):
        own = [row for row in rows if row["file"] == path.name]
        figures[path.name] = {
            "eyes": _ways([row for row in own if not row["set"].startswith("gestures")]),
            "arms": _ways([row for row in own if row["set"].startswith("gestures")]),
        }
    return figures


def _ways(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    if not rows:
        return None
    ways: dict[str, Any] = {}
    for way in (PLAIN, LATER, FITTED):
        people: dict[str, tuple[int, float]] = {}
        for row in rows:
            if row["way"] == way:
                actions, hours = people.get(row["person"], (0, 0.0))
                people[row["person"]] = (actions + row["actions"], hours + row["hours"])
        ways[way] = {
            "people": len(people),
            "hours": sum(hours for _, hours in people.values()),
            "actions": sum(actions for actions, _ in people.values()),
            "an_hour": an_hour(list(people.values())).to_json(),
        }
    ways["refused"] = len({row["person"] for row in rows if row["refused"]})
    return ways


def line(figures: Mapping[str, Any]) -> str:
    """The line of a file's first comment."""
    said = []
    if figures["eyes"]:
        said.append(f"at a desk {in_words(figures['eyes'])}")
    if figures["arms"]:
        said.append(f"between squeezes {in_words(figures['arms'])}")
    if not said:
        return f"{LINE} not tried; the recordings of people at a desk carry no such signal."
    return f"{LINE} {'; '.join(said)} an hour."


def in_words(ways: Mapping[str, Any]) -> str:
    return f"{_rate(ways[PLAIN]['an_hour'])} actions, with a profile {_rate(ways[FITTED]['an_hour'])}"


def _rate(figure: Mapping[str, float]) -> str:
    return f"{_short(figure['value'])} ({_short(figure['low'])} to {_short(figure['high'])})"


def _short(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"


def _plain(text: str) -> str:
    """Without the line that this bench writes, so that writing it asks for no new figures."""
    return "\n".join(row for row in text.splitlines() if not row.startswith(LINE))


def with_line(text: str, said: str) -> str:
    """A rule file with this line at the end of its first comment, before the usual cautions."""
    rows = _plain(text).splitlines()
    place = next(number for number, row in enumerate(rows) if row.startswith("# Battery power only"))
    return "\n".join([*rows[:place], said, *rows[place:], ""])


def write_lines(figures: Mapping[str, Any], folder: Path = CONFIGS) -> None:
    for name, own in figures.items():
        path = folder / name
        path.write_text(with_line(path.read_text(encoding="utf-8"), line(own)), encoding="utf-8")
