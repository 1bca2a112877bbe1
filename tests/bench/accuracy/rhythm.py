"""Eyes closed or open by the rhythm; long closures; drowsiness in people of whom nobody said that they were sleepy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from bridge.calibration.labels import LabelError
from bridge.calibration.profile import Profile, part_of
from bridge.evaluation.from_recording import calibrate
from bridge.evaluation.running import bind_detector, run
from bridge.signals.types import Annotation, ChannelKind, Event
from tests.bench.accuracy.cells import OURS, all_done, files_of, key
from tests.bench.accuracy.material import DATA, Item, Loaded, cut
from tests.bench.accuracy.variants import changed

SETTLE_S = 3.0  # the averages of the rhythm, after the eyes have changed
_CLOSURE_WINDOW_S = 0.7
_DATE = "2026-01-01T00:00:00+00:00"
Spans = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Eyes:
    """The rhythm on one recording: the share of closed and of open time in which it is on.

    ``fitted``: with a profile from the first ``learn_s``; both are judged on what comes after.
    """

    item: Item
    learn_s: float
    by: str = OURS

    def __call__(self) -> list[dict[str, Any]]:
        whole = self.item.load()
        end_s = whole.recording.end / whole.recording.info.rate
        later = cut(whole, self.learn_s, end_s)
        rows = [self._row("default", whole, None), self._row("later part, default", later, None)]
        first = cut(whole, 0.0, self.learn_s)
        try:
            profile = self._fit(first)
        except LabelError as error:
            return [*rows, {**rows[1], "way": "later part, fitted", "refused": str(error)}]
        return [*rows, self._row("later part, fitted", later, profile)]

    def _fit(self, first: Loaded) -> Profile:
        marks = [replace(mark, label="closed") for mark in first.reference if closes(mark)]
        at_s = SETTLE_S
        rests = []
        for mark in sorted(marks, key=lambda mark: mark.onset):
            rests.append(Annotation(at_s, mark.onset - at_s, "rest"))
            at_s = mark.onset + mark.duration + SETTLE_S
        rests.append(Annotation(at_s, first.recording.end / first.recording.info.rate - at_s, "rest"))
        marks += [rest for rest in rests if rest.duration > 1.0]
        (binding,) = bind_detector(first.recording, "alpha")
        made = calibrate(first.recording, binding, marks)
        part = part_of(made.fitted, made.channels, first.recording.info.rate, _DATE)
        return Profile("one", "bench", {"alpha": part})

    def _row(self, way: str, loaded: Loaded, profile: Profile | None) -> dict[str, Any]:
        (binding,) = bind_detector(loaded.recording, "alpha")
        if profile is not None:
            binding = binding.fitted(loaded.recording.info, profile)
        end_s = loaded.recording.end / loaded.recording.info.rate
        on = spans_of(run(loaded.recording, binding).events, "alpha", end_s)
        closed = [(mark.onset, mark.onset + mark.duration) for mark in loaded.reference if closes(mark)]
        edges = [0.0, *(edge for span in sorted(closed) for edge in span), end_s]
        opened = list(zip(edges[::2], edges[1::2], strict=True))
        settled = [
            [(low + SETTLE_S, high) for low, high in spans if high > low + SETTLE_S]
            for spans in (closed, opened)
        ]
        return {
            "recording": self.item.name,
            "way": way,
            "closed_s": seconds(settled[0]),
            "on_closed": overlap(on, settled[0]) / max(1e-9, seconds(settled[0])),
            "open_s": seconds(settled[1]),
            "on_open": overlap(on, settled[1]) / max(1e-9, seconds(settled[1])),
            "refused": "",
        }


def closes(mark: Annotation) -> bool:
    return mark.label in ("alpha", "long-closure", "closed") and mark.duration > SETTLE_S


def spans_of(events: Sequence[Event], kind: str, end_s: float) -> Spans:
    """From each start of an event to its end."""
    found: Spans = []
    since: float | None = None
    for event in events:
        if event.kind == kind and event.edge == "start":
            since = event.onset
        elif event.kind == kind and event.edge == "end" and since is not None:
            found.append((since, event.onset))
            since = None
    return [*found, (since, end_s)] if since is not None else found


def seconds(spans: Spans) -> float:
    return sum(high - low for low, high in spans)


def overlap(one: Spans, other: Spans) -> float:
    return sum(max(0.0, min(a[1], b[1]) - max(a[0], b[0])) for a in one for b in other)


@dataclass(frozen=True, slots=True)
class Closures:
    """Long closures by their onset, as recorded and behind AC-coupled amplifiers."""

    item: Item
    by: str = OURS

    def __call__(self) -> list[dict[str, Any]]:
        rows = []
        for change in ("", "AC-coupled, 3 s", "AC-coupled, 1 s", "AC-coupled, 0.3 s"):
            whole = self.item.load()
            loaded = changed(whole, change, 0) if change else whole
            assert loaded is not None
            (binding,) = bind_detector(loaded.recording, "blink")
            events = run(loaded.recording, binding).events
            left = [event.onset for event in events if (event.kind, event.edge) == ("long-closure", "start")]
            firm = [mark.onset for mark in loaded.reference if mark.label == "long-closure"]
            found = 0
            for onset in firm:
                near = [other for other in left if abs(other - onset) <= _CLOSURE_WINDOW_S]
                if near:
                    left.remove(min(near, key=lambda other: abs(other - onset)))
                    found += 1
            rows.append(
                {
                    "recording": self.item.name,
                    "change": change,
                    "closures": len(firm),
                    "found": found,
                    "false": len(left),
                }
            )
        return rows


@dataclass(frozen=True, slots=True)
class Sleepy:
    """How often drowsiness begins in somebody at a desk, and how long it is said."""

    item: Item
    by: str = OURS

    def __call__(self) -> list[dict[str, Any]]:
        recording = self.item.load().recording
        (binding,) = bind_detector(recording, "drowsiness", [self.item.channels[0][0]])
        events = run(recording, binding).events
        on = spans_of(events, "drowsiness", recording.end / recording.info.rate)
        return [
            {
                "set": self.item.set,
                "person": self.item.person,
                "starts": sum((event.kind, event.edge) == ("drowsiness", "start") for event in events),
                "minutes": recording.seconds / 60,
                "drowsy_minutes": seconds(on) / 60,
            }
        ]


def figures_of(items: Sequence[Item], workers: int) -> dict[str, Any]:
    if not DATA.is_dir():
        return {}
    eeg: ChannelKind = "eeg"
    alpha = Item(
        "rhythm",
        "pz",
        "alpha-pz-128hz",
        "eeg/alpha-pz-128hz.csv",
        (("Pz", eeg),),
        "eeg/alpha-pz-128hz.reference.csv",
    )
    state = replace(
        alpha,
        person="eye-state",
        name="eye-state-128hz O1+O2",
        file="eeg/eye-state-128hz.csv",
        channels=(("O1", eeg), ("O2", eeg)),
        reference="eeg/eye-state-128hz.reference.csv",
    )
    frontal = replace(state, name="eye-state-128hz AF3+AF4", channels=(("AF3", eeg), ("AF4", eeg)))
    desks = [item for item in items if item.set in ("office", "band forehead")]
    works = {
        "eyes pz": Eyes(alpha, 180.0),
        "eyes eye-state": Eyes(state, 58.0),
        "closures": Closures(frontal),
        **{f"drowsiness {item.name}": Sleepy(item) for item in desks},
    }
    keys = {name: key(work, files_of(work.item), fits=True) for name, work in works.items()}
    rows = all_done("rhythm", works, keys, workers)
    return {
        "eyes": [row for name in works if name.startswith("eyes") for row in rows.get(name, [])],
        "closures": rows.get("closures", []),
        "drowsiness": [row for name in works if name.startswith("drowsiness") for row in rows.get(name, [])],
    }
