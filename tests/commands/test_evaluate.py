"""`detect` and `evaluate` as commands, on the ECG sample that the peakdet package carries (1000 Hz assumed)."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from bridge.commands.detect import command as detect
from bridge.commands.evaluate import command as evaluate

sys.path.append(str(Path(__file__).parents[1] / "detectors"))

# Written by hand from the design's list, so that a renamed field is seen.
EVENT = {"kind", "edge", "onset", "decided", "channel", "values", "confidence"}


def called(command: Any, *arguments: object) -> Result:
    return CliRunner().invoke(command, [*map(str, arguments)])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from ecg_recordings import resting

    folder = tmp_path_factory.mktemp("recordings")
    samples, rate_hz = resting()
    for name, part in (("one", samples), ("two", samples[: round(20 * rate_hz)])):
        (folder / f"{name}.csv").write_text("ecg\n" + "".join(f"{value:.5f}\n" for value in part))
    lines = called(detect, folder / "one.csv", "--rate", rate_hz, "--detector", "heartbeat", "--json").stdout
    onsets = [
        json.loads(line)["onset"] for line in lines.splitlines() if json.loads(line)["kind"] == "heartbeat"
    ]
    for name in ("one", "two"):
        kept = [onset for onset in onsets if name == "one" or onset < 19.7]
        (folder / f"{name}.reference.csv").write_text(
            "onset,duration,label\n" + "".join(f"{onset},0,heartbeat\n" for onset in kept)
        )
    return folder


def test_each_detect_line_is_an_event(folder: Path) -> None:
    done = called(detect, folder / "one.csv", "--rate", 1000, "--detector", "heartbeat", "--json")
    assert done.exit_code == 0
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert all(set(event) >= EVENT for event in events)
    # 56 beats are shared by five libraries (measured); the first seconds are learning time.
    assert 48 <= sum(event["kind"] == "heartbeat" for event in events) <= 57
    assert all(event["onset"] <= event["decided"] for event in events)


def test_several_recordings_give_gross_average_and_own_figures(folder: Path) -> None:
    done = called(
        evaluate, folder / "one.csv", folder / "two.csv", "--rate", 1000, "--detector", "heartbeat", "--json",
        "--reference", folder / "one.reference.csv", "--reference", folder / "two.reference.csv",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    report = json.loads(done.stdout)
    own = report["recordings"]
    assert report["true_positives"] == sum(item["true_positives"] for item in own) > 50
    assert report["average"]["f1"] == pytest.approx(np.mean([item["f1"] for item in own]))
    assert report["seconds"] == pytest.approx(sum(item["seconds"] for item in own))


def test_a_plot_is_written_and_told_on_stderr(folder: Path, tmp_path: Path) -> None:
    picture = tmp_path / "errors.png"
    done = called(
        evaluate, folder / "two.csv", "--rate", 1000, "--detector", "heartbeat",
        "--reference", folder / "two.reference.csv", "--plot", picture,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert str(picture) in done.stderr
    assert str(picture) not in done.stdout


def test_without_a_reference_there_are_counts_and_rates(folder: Path) -> None:
    done = called(evaluate, folder / "one.csv", "--rate", 1000, "--detector", "heartbeat", "--json")
    report = json.loads(done.stdout)
    assert report["detected"] == report["counts"]["heartbeat"]
    # 56 beats in 44.6 s, five libraries' count.
    assert report["per_minute"] == pytest.approx(56 / 44.6 * 60, rel=0.05)
    assert report["cpu_seconds"] > 0


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--reference", "one.reference.csv", "--reference", "two.reference.csv"], "as many references"),
        (["--plot", "a.png"], "needs --reference"),
        (["--reference", "missing.csv"], "missing.csv"),
        (["--channel", "nose"], "nose"),
        (["--window", "0"], "--window"),
    ],
)
def test_wrong_use_is_status_2_and_says_what(folder: Path, options: list[str], told: str) -> None:
    placed = [str(folder / item) if item.endswith(".csv") else item for item in options]
    done = called(evaluate, folder / "one.csv", "--rate", 1000, "--detector", "heartbeat", *placed)
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stdout == ""


def test_how_a_blink_was_done_makes_no_difference_and_strange_labels_are_named(tmp_path: Path) -> None:
    signal, marks = tmp_path / "rec.csv", tmp_path / "marks.csv"
    times = np.arange(0, 60, 1 / 200)
    peaks = np.arange(8.0, 58.0, 2.5)
    blinks = sum(200 * np.exp(-0.5 * ((times - peak) / 0.06) ** 2) for peak in peaks)
    noise = np.random.default_rng(0).normal(0, 3, len(times))
    np.savetxt(signal, blinks + noise, "%.2f", header="vertical", comments="")
    words = ("blink", "blink deliberate", "blink spontaneous", "blink spontaneous?")
    rows = [f"{peak},0,{words[i % 4]}" for i, peak in enumerate(peaks)]
    marks.write_text("\n".join(["onset,duration,label", *rows, "9,0,deliberate-blink"]), encoding="utf-8")
    done = called(evaluate, signal, "--rate", 200, "--detector", "blink", "--reference", marks, "--json")
    assert done.exit_code == 0, done.output
    scored = json.loads(done.stdout)
    assert (scored["reference"], scored["true_positives"], scored["false_positives"]) == (15, 15, 0)
    assert "'deliberate-blink', did you mean 'blink deliberate'?" in done.stderr
