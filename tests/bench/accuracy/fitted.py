"""A profile from one part of a person's recordings, judged on another part beside the detector's own settings.

Blinks and gaze: fitted on the first half, scored on the second. Gestures: fitted on one session, scored on
the next; with one electrode, the one whose efforts a calibration finds clearest in the session that was fitted.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bridge.calibration.labels import LabelError, read_labels
from bridge.calibration.muscle_fit import measure
from bridge.calibration.profile import Profile, part_of
from bridge.calibration.trials import Signal
from bridge.calibration.tuning import SCALES
from bridge.evaluation.from_recording import calibrate
from bridge.evaluation.running import run
from bridge.signals.types import Annotation
from tests.bench.accuracy.by_person import counts, f1, false_per_minute, lower_quartile, pooled, sensitivity
from tests.bench.accuracy.cells import OURS, all_done, bound, files_of, key, scored
from tests.bench.accuracy.material import Item, Loaded, cut, samples_of

_HALVES = ("blinks-200hz", "band forehead", "band ears", "office", "gaze-83hz")
_DATE = "2026-01-01T00:00:00+00:00"
_LEAST = 10


@dataclass(frozen=True, slots=True)
class Fit:
    """``test`` is another session; without one, the halves of ``item``."""

    item: Item
    test: Item | None = None
    by: str = OURS

    def __call__(self) -> list[dict[str, Any]]:
        learnt, judged = self._parts()
        acts = sum(not mark.label.endswith("?") and mark.onset >= 5.0 for mark in learnt.reference)
        own = run(judged.recording, bound(self.item, judged)).events
        default = scored(self.item.detector, judged, own)
        row = {
            "set": self.item.set,
            "person": self.item.person,
            "recording": self.item.name,
            "acts": acts,
            "refused": "",
            "kept": False,
            "default": default,
            "fitted": default,
        }
        try:
            profile = profile_from(self.item, learnt)
        except LabelError as error:
            return [{**row, "refused": str(error)}]
        part = profile.detectors[self.item.detector]
        binding = bound(self.item, judged).fitted(judged.recording.info, profile)
        found = scored(self.item.detector, judged, run(judged.recording, binding).events)
        kept = not set(part.settings) - set(SCALES)
        return [{**row, "fitted": found, "kept": kept, "settings": dict(part.settings)}]

    def _parts(self) -> tuple[Loaded, Loaded]:
        if self.test is not None:
            return self.item.load(), self.test.load()
        whole = self.item.load()
        rate_hz = whole.recording.info.rate
        start_s, end_s = whole.recording.first / rate_hz, whole.recording.end / rate_hz
        middle_s = (start_s + end_s) / 2
        return cut(whole, start_s, middle_s), cut(whole, middle_s, end_s)


def profile_from(item: Item, learnt: Loaded, reference: Sequence[Annotation] | None = None) -> Profile:
    """As `calibrate --replay` makes it. Raises LabelError where it refuses."""
    marks = learnt.reference if reference is None else reference
    made = calibrate(learnt.recording, bound(item, learnt), marks)
    part = part_of(made.fitted, made.channels, learnt.recording.info.rate, _DATE)
    return Profile(item.person, "bench", {item.detector: part})


def fits(items: Sequence[Item]) -> list[Fit]:
    works = [Fit(item) for item in items if item.set in _HALVES]
    sessions: dict[tuple[str, str], list[Item]] = defaultdict(list)
    for item in items:
        if item.set.startswith("gestures"):
            sessions[item.set, item.person].append(item)
    for (name, _), own in sessions.items():
        first = [item for item in own if item.session == 1]
        if not first or not any(item.session == 2 for item in own):
            continue
        learnt = first[0] if name.endswith("electrodes") else _clearest(first)
        tests = [item for item in own if item.session == 2 and item.channels == learnt.channels]
        works += [Fit(learnt, test) for test in tests]
    return works


def _clearest(own: Sequence[Item]) -> Item:
    """The electrode that tells efforts from rest best, which is where a calibration would have it put."""
    return max(own, key=_clear)


def _clear(item: Item) -> float:
    loaded = item.load()
    recording = loaded.recording
    samples, rate_hz = samples_of(recording), recording.info.rate
    usable = np.ones(len(samples), dtype=np.bool_)
    signal = Signal(samples, usable, recording.first, rate_hz, recording.info.channels)
    try:
        labels = read_labels(
            loaded.reference, (item.detector,), recording.first / rate_hz, recording.end / rate_hz
        )
        return measure(signal, labels).whole.clear
    except LabelError:
        return -np.inf


def rows_of(items: Sequence[Item], workers: int) -> list[dict[str, Any]]:
    works = {f"{fit.item.set} {fit.item.name}": fit for fit in fits(items)}
    keys = {
        name: key(fit, [*files_of(fit.item), *(files_of(fit.test) if fit.test else [])], fits=True)
        for name, fit in works.items()
    }
    return [row for rows in all_done("fitted", works, keys, workers).values() for row in rows]


def summary(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Default beside fitted; a person whose fit is refused has the default, and so has one with too few acts."""
    enough = [row for row in rows if row["acts"] >= _LEAST]
    figures: dict[str, Any] = {"people": len(enough), "too_few": len(rows) - len(enough)}
    if not enough:
        return figures
    gains = []
    for by in ("default", "fitted"):
        people = counts([{**row[by], "person": row["person"]} for row in enough])
        table = list(people.values())
        figures[by] = {
            "f1": pooled(table, f1).to_json(),
            "lower_quartile_f1": lower_quartile(table, f1).to_json(),
            "sensitivity": pooled(table, sensitivity).to_json(),
            "false_per_minute": pooled(table, false_per_minute).to_json(),
            "by_person": {name: float(f1(item)) for name, item in sorted(people.items())},
        }
    for name, own in figures["default"]["by_person"].items():
        gains.append(figures["fitted"]["by_person"][name] - own)
    change = np.nan_to_num(np.array(gains))
    figures["better"] = int((change > 1e-9).sum())
    figures["worse"] = int((change < -1e-9).sum())
    figures["refused"] = sum(bool(row["refused"]) for row in enough)
    figures["kept"] = sum(row["kept"] for row in enough)
    figures["refusals"] = {row["person"]: row["refused"] for row in enough if row["refused"]}
    return figures


def spontaneous(reference: Sequence[Annotation]) -> tuple[Annotation, ...]:
    """Nobody was commanding: every blink of the reference was spontaneous."""
    return tuple(
        replace(mark, label=mark.label.replace("blink", "blink spontaneous", 1))
        if "blink" in mark.label
        else mark
        for mark in reference
    )
