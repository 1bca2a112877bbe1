"""Every detector on every recording, beside reference libraries: ``python -m tests.bench.accuracy``.

BRIDGE_DATA names the folder of the recordings that no package carries. ``--json OUT`` writes the figures,
``--page OUT.md`` the same tables for reading.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from rich import box
from rich.console import Console
from rich.progress import track
from rich.table import Table

from bridge.detectors import DETECTORS
from bridge.evaluation.families import marks, scored_kinds
from bridge.evaluation.matching import match
from bridge.evaluation.running import LEARNING_S, Run, bind_detector, evaluate, run
from bridge.evaluation.scores import Score, gross, score
from bridge.recordings import Recording
from bridge.signals.types import Event
from tests.bench.accuracy import held_out, libraries, timing
from tests.bench.accuracy.material import (
    CHANGES,
    Material,
    annotated,
    changed,
    consensus_material,
    recording_of,
    samples_of,
)

_LIBRARIES = {
    "heartbeat": (libraries.heartbeats, "heartbeat", "instant"),
    "blink": (libraries.blinks, "blink", "instant"),
    "contraction": (libraries.contractions, "contraction", "start"),
}


def ours(material: Material) -> tuple[Score, Run]:
    (binding,) = bind_detector(material.recording, material.detector)
    done = run(material.recording, binding)
    assert material.reference is not None
    return evaluate(material.recording, done, material.reference).score, done


def theirs(material: Material) -> dict[str, Score]:
    """Each library's score by the same matching."""
    if material.detector not in _LIBRARIES or material.name.startswith("eye-state"):
        return {}
    detect, kind, edge = _LIBRARIES[material.detector]
    samples = samples_of(material.recording)
    lead = samples if material.detector == "contraction" else samples[:, 0]
    assert material.reference is not None
    wanted = scored_kinds(material.reference, DETECTORS[material.detector].events)
    reference = marks(material.reference, wanted)
    seconds = material.recording.seconds
    scores = {}
    for name, times in detect(lead, material.recording.info.rate).items():
        events = [Event(kind, edge, float(time), float(time), "") for time in np.sort(times)]  # type: ignore[arg-type]
        matching = match(reference, events, from_s=LEARNING_S)
        scores[name] = score(matching, seconds, seconds - LEARNING_S, 0.0)
    return scores


def row(material: Material, who: str, figures: Score) -> dict[str, Any]:
    return {"recording": material.name, "detector": material.detector, "by": who, **figures.to_json()}


def accuracy(materials: Sequence[Material]) -> Iterator[dict[str, Any]]:
    pooled: list[Score] = []
    for material in track(materials, "recordings", console=Console(stderr=True)):
        own, _ = ours(material)
        if material.detector == "contraction":
            pooled.append(own)
        yield row(material, "biosignal-bridge", own)
        for name, figures in theirs(material).items():
            yield row(material, name, figures)
    if pooled:
        total = Material("cued files, pooled", "contraction", materials[0].recording, None)
        yield row(total, "biosignal-bridge", gross(pooled))


def invariance(materials: Sequence[Material]) -> Iterator[dict[str, Any]]:
    """F1 after each change, pooled over the recordings of a detector that allow it."""
    for detector in dict.fromkeys(material.detector for material in materials):
        own = [item for item in materials if item.detector == detector and not item.name.startswith("eye")]
        for change in track(list(CHANGES), f"{detector} changed", console=Console(stderr=True)):
            pairs = [(item, after) for item in own if (after := changed(item, change)) is not None]
            if not pairs:
                continue
            plain = gross([ours(before)[0] for before, _ in pairs])
            after = gross([ours(item)[0] for _, item in pairs])
            yield {
                "detector": detector,
                "change": change,
                "recordings": len(pairs),
                "f1_plain": plain.f1,
                "f1_changed": after.f1,
                "moved": after.f1 - plain.f1,
            }


def elsewhere(materials: Sequence[Material]) -> Iterator[dict[str, Any]]:
    """False activations a minute: each detector on recordings of the other kinds of signal."""
    for material in track(materials, "other signals", console=Console(stderr=True)):
        first = samples_of(material.recording)[:, :1]
        for name, type_ in DETECTORS.items():
            if name == material.detector:
                continue
            other: Recording = recording_of(first, material.recording.info.rate, ["lead"], type_.kinds[0])
            try:
                (binding,) = bind_detector(other, name)
                binding.create(other.info)
            except ValueError:
                continue  # the sampling rate does not carry it
            events = [
                item
                for item in run(other, binding).events
                if item.kind in type_.events
                and item.edge != "end"
                and item.onset >= LEARNING_S
                and not item.kind.startswith("looking-")
            ]
            minutes = (other.seconds - LEARNING_S) / 60
            yield {"recording": material.name, "detector": name, "per_minute": len(events) / minutes}


@dataclass(frozen=True)
class Part:
    """One table of the report."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: Callable[[Sequence[Material]], Iterator[dict[str, Any]]]


_FIGURES = (
    "reference",
    "true_positives",
    "false_negatives",
    "false_positives",
    "f1",
    "false_per_minute",
    "latency_ms",
)
PARTS = (
    Part(
        "accuracy",
        "Accuracy (libraries see the whole record; latency: median / largest, ms)",
        ("recording", "detector", "by", *_FIGURES),
        accuracy,
    ),
    Part(
        "closures",
        "Long closures of the eye on frontal EEG, onset within 0.7 s",
        ("recording", "long_closures", "found", "false", "onset_error_ms"),
        timing.closures,
    ),
    Part(
        "onsets",
        "Onsets of contractions against the double threshold of Hodges & Bui on the same electrodes (medians)",
        ("electrodes", "bursts", "f1", "onset_error_ms", "decided_after_ms"),
        timing.onsets,
    ),
    Part(
        "high_pass",
        "Gaze shifts behind first-order high-passes",
        ("recording", "time_constant_s", "f1"),
        timing.after_high_pass,
    ),
    Part(
        "left_out",
        "Each recording scored by the factor on all thresholds that does best on the others",
        ("recording", "detector", "chosen_factor", "f1_chosen", "f1_default", "f1_worst_factor"),
        held_out.left_out,
    ),
    Part(
        "invariance",
        "After changes that must not matter, pooled over the recordings of a detector",
        ("detector", "change", "recordings", "f1_plain", "f1_changed", "moved"),
        invariance,
    ),
    Part(
        "other_signals",
        "False activations a minute on other signals (as if wired to the wrong channel)",
        ("recording", "detector", "per_minute"),
        elsewhere,
    ),
)


def show(part: Part, rows: Sequence[dict[str, Any]]) -> None:
    table = Table(title=part.title, title_justify="left", box=box.SIMPLE)
    for column in part.columns:
        table.add_column(column, justify="left" if isinstance(rows[0].get(column), str) else "right")
    for item in rows:
        table.add_row(*(_cell(item.get(column)) for column in part.columns))
    Console(width=150).print(table)


def markdown(part: Part, rows: Sequence[dict[str, Any]]) -> str:
    lines = [
        f"## {part.title}",
        "",
        "| " + " | ".join(column.replace("_", " ") for column in part.columns) + " |",
        "|" + " --- |" * len(part.columns),
        *("| " + " | ".join(_cell(item.get(column)) for column in part.columns) + " |" for item in rows),
    ]
    return "\n".join(lines) + "\n"


def _cell(value: Any) -> str:
    if isinstance(value, dict):
        return "-" if value["median"] is None else f"{value['median']:.0f} / {value['max']:.0f}"
    return f"{value:.4g}" if isinstance(value, float) else "-" if value is None else str(value)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path, help="write all figures here")
    parser.add_argument("--page", type=Path, help="write all tables here as Markdown")
    parser.add_argument("--only", choices=sorted(DETECTORS), help="one detector")
    options = parser.parse_args()
    data = os.environ.get("BRIDGE_DATA")
    materials = [*consensus_material(), *(annotated(Path(data)) if data else ())]
    if not data:
        print("BRIDGE_DATA is not set: only the recordings that packages carry are used.", file=sys.stderr)
    if options.only:
        materials = [item for item in materials if item.detector == options.only]
    report = {part.name: list(part.rows(materials)) for part in PARTS}
    filled = [part for part in PARTS if report[part.name]]
    for part in filled:
        show(part, report[part.name])
    if options.json:
        options.json.write_text(json.dumps(report, indent=1))
    if options.page:
        head = f"# Accuracy, measured {datetime.now(UTC).date().isoformat()}\n\nWritten by `{COMMAND}`.\n"
        options.page.write_text("\n".join([head, *(markdown(part, report[part.name]) for part in filled)]))


COMMAND = "python -m tests.bench.accuracy --page tests/bench/accuracy/RESULTS.md"

if __name__ == "__main__":
    main()
