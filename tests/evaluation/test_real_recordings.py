"""`evaluate` on real recordings: the figures are printed, and stay above floors.

Recordings: MIT-BIH record 100; open EOG, forearm EMG and gaze recordings (sources stand beside the data).
Windows: ANSI/AAMI EC57 for beats (150 ms), the others as `evaluate --help` says.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import wfdb
from click.testing import CliRunner
from wfdb.processing import compare_annotations

from bridge.commands.evaluate import command as evaluate
from bridge.detectors import DETECTORS
from bridge.evaluation.running import bind_detector, run
from bridge.recordings import ChannelChoice, read


def report(*arguments: object) -> dict[str, Any]:
    done = CliRunner().invoke(evaluate, [*map(str, arguments), "--json"])
    assert done.exit_code == 0, done.output
    plain: dict[str, Any] = json.loads(done.stdout)
    return plain


def show(what: str, figures: dict[str, Any]) -> None:
    print(
        f"\n{what}: F1 {figures['f1']:.4f}, sensitivity {figures['sensitivity']:.4f}, "
        f"positive predictivity {figures['ppv']:.4f}, latency {figures.get('latency_ms')}"
    )


KEYS = {
    "detector", "window_ms", "reference", "detected", "true_positives", "false_negatives", "false_positives",
    "sensitivity", "ppv", "f1", "false_per_minute", "latency_ms", "seconds", "cpu_seconds",
}  # fmt: skip


@pytest.mark.parametrize(("channel", "floor"), [("MLII", 0.9995), ("V5", 0.995)])
def test_heartbeats_of_record_100(data_dir: Path, channel: str, floor: float) -> None:
    figures = report(
        data_dir / "ecg/100.hea", "--detector", "heartbeat", "--channel", channel,
        "--reference", data_dir / "ecg/100.atr",
    )  # fmt: skip
    show(f"heartbeats, {channel}", figures)
    assert set(figures) >= KEYS
    assert figures["window_ms"] == 150
    assert figures["f1"] >= floor
    assert figures["latency_ms"]["median"] <= 250


def test_heartbeats_agree_with_the_beat_comparator_of_the_wfdb_library(data_dir: Path) -> None:
    """The same counts from another hand: wfdb.processing.compare_annotations, 150 ms either way."""
    recording = read(data_dir / "ecg/100.hea", channels=[ChannelChoice("MLII")])
    rate = recording.info.rate
    (binding,) = bind_detector(recording, "heartbeat")
    found = [event.onset for event in run(recording, binding).events if event.kind == "heartbeat"]
    annotated = wfdb.rdann(str(data_dir / "ecg/100"), "atr")
    beats = annotated.sample[[symbol not in "+~|" for symbol in annotated.symbol]]
    margin = 5.5
    detected = np.array(sorted(round(onset * rate) for onset in found if onset >= margin))
    compared = compare_annotations(beats[beats >= margin * rate], detected, round(0.15 * rate))
    ours = report(
        data_dir / "ecg/100.hea", "--detector", "heartbeat", "--channel", "MLII", "--skip", margin,
        "--reference", data_dir / "ecg/100.atr",
    )  # fmt: skip
    assert (compared.tp, compared.fn, compared.fp) == (
        ours["true_positives"], ours["false_negatives"], ours["false_positives"],
    )  # fmt: skip


def test_blinks(data_dir: Path) -> None:
    file = data_dir / "eog/blinks-200hz"
    figures = report(f"{file}.csv", "--detector", "blink", "--reference", f"{file}.reference.csv")
    show("blinks", figures)
    assert figures["f1"] >= 0.95


def test_gaze_shifts_of_ten_degrees_and_more(data_dir: Path) -> None:
    file = data_dir / "eog/gaze-83hz"
    figures = report(f"{file}.csv", "--detector", "gaze", "--reference", f"{file}.reference.csv")
    show("gaze shifts", figures)
    assert figures["f1"] >= 0.96


def test_contractions_pooled_over_the_cued_files(data_dir: Path) -> None:
    files = sorted((data_dir / "emg").glob("cued-*[0-9].csv"))
    assert len(files) >= 6
    references = [option for file in files for option in ("--reference", file.with_suffix(".reference.csv"))]
    figures = report(*files, "--detector", "contraction", "--channel", "ring*", "--kind", "emg", *references)
    show("contractions, gross", figures)
    assert figures["f1"] >= 0.95
    assert figures["average"]["f1"] >= 0.95
    assert len(figures["recordings"]) == len(files)


OTHERS = [
    ("ecg/100.hea", "MLII", "ecg", {"blink": "eog-vertical", "contraction": "emg", "gaze": "eog-horizontal"}),
    ("emg/cued-12345-1-7.csv", "ring1", "emg", {"heartbeat": "ecg", "blink": "eog-vertical"}),
    ("eeg/eye-state-128hz.csv", "O1", "eeg", {"heartbeat": "ecg", "gaze": "eog-horizontal"}),
    ("eog/gaze-83hz.csv", "horizontal", "eog-horizontal", {"blink": "eog-vertical"}),
]


@pytest.mark.parametrize(("file", "channel", "kind", "detectors"), OTHERS)
def test_false_activations_on_other_kinds_of_signal_are_reported(
    data_dir: Path, file: str, channel: str, kind: str, detectors: dict[str, str]
) -> None:
    """A wrongly connected electrode must not type a page: at most one activation in two seconds."""
    for detector, as_kind in detectors.items():
        recording = read(data_dir / file, channels=[ChannelChoice(channel, as_kind)])  # type: ignore[arg-type]
        (binding,) = bind_detector(recording, detector)
        events = [
            event
            for event in run(recording, binding).events
            if event.kind in DETECTORS[detector].events and event.edge != "end" and event.onset > 5
        ]
        per_minute = len(events) / (recording.seconds / 60)
        print(f"\n{detector} on {kind} ({file}): {per_minute:.2f} a minute")
        assert per_minute < 30
