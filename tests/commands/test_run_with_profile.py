"""`run --profile`: what a calibration changes in the daemon, and profiles that it refuses.

The person is the stated model of tests/calibration/model_person.py (Kaneko & Sakamoto 1999: deliberate blinks
are higher, not longer): data with labels for deliberate and everyday blinks, which no shipped recording has.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibration"))

from model_person import RATE_HZ, Blinker, session

from bridge.commands.calibrate import command as calibrate
from bridge.commands.detect import command as detect
from bridge.commands.run import command as run_command
from bridge.recordings.annotations import write_csv_annotations

RULES = """\
version: 1
outputs:
  keys: {type: keystrokes}
rules:
  - name: Next
    when: {event: blink, deliberate: true}
    then: {press: PageDown}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session that was calibrated on, its profile, rules, and a later stretch of the same person."""
    folder = tmp_path_factory.mktemp("profile")
    samples, marks = session(Blinker(ratio=2.6, spread=0.1, seed=5), seed=5)
    written(folder / "session.csv", samples)
    write_csv_annotations(folder / "cues.csv", marks)
    later = Blinker(ratio=2.6, spread=0.1, seed=6)
    acts = np.arange(10.0, 110.0, 5.0)
    later.blinks = [(float(at), later.height(deliberate=True), True) for at in acts]
    later.spontaneous(1.0, 115.0, "talk")
    written(folder / "later.csv", later.signal(0, round(118 * RATE_HZ)))
    np.savetxt(folder / "acts.csv", acts)
    (folder / "rules.yaml").write_text(RULES, encoding="utf-8")
    made = CliRunner().invoke(
        calibrate,
        ["--detector", "blink", "--replay", str(folder / "session.csv"), "--reference", str(folder / "cues.csv"),
         "--profile", str(folder / "person.yaml")],
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    return folder


def written(path: Path, samples: np.ndarray, places: int = 4) -> None:
    times = np.arange(len(samples)) / RATE_HZ
    table = np.column_stack((times, samples[:, 0]))
    np.savetxt(path, table, f"%.{places}f", ",", header="time,vertical", comments="")


def ran(folder: Path, *options: object) -> Result:
    arguments = [
        folder / "rules.yaml",
        "--replay",
        folder / "later.csv",
        "--fast",
        "--dry-run",
        "--json",
        *options,
    ]
    return CliRunner().invoke(run_command, [str(item) for item in arguments])


def presses(done: Result) -> list[float]:
    assert done.exit_code == 0, done.output
    lines: list[dict[str, Any]] = [json.loads(line) for line in done.stdout.splitlines()]
    return [line["time"] for line in lines if "action" in line]


def counted(times: list[float], acts: np.ndarray) -> tuple[int, int]:
    """Acts that were answered within a second, and presses that answer none."""
    hits = sum(any(0 <= time - act < 1 for time in times) for act in acts)
    return hits, len(times) - hits


def test_the_fitted_threshold_is_what_runs(folder: Path) -> None:
    """Acts of a person whose blinks the defaults read otherwise: hits stay, pages that turn by themselves go."""
    acts = np.loadtxt(folder / "acts.csv")
    fitted = counted(presses(ran(folder, "--profile", folder / "person.yaml")), acts)
    alone = counted(presses(ran(folder)), acts)
    print(f"with the profile {fitted}, without {alone} (answered of {len(acts)}, false)")
    assert fitted[0] >= 0.95 * len(acts)
    assert fitted[1] <= 1
    assert fitted[0] >= alone[0]
    assert fitted[1] <= alone[1]
    assert fitted != alone


@pytest.mark.parametrize(
    ("line", "instead", "told"),
    [
        (r"rate_hz: .*", "rate_hz: 500.0", "made at 500 Hz"),
        (r"detector_version: .*", "detector_version: 99", "version 99 of the detector"),
        (r"kind: eog-vertical", "kind: eeg", "channels of kind eeg"),
    ],
)
def test_a_profile_that_does_not_fit_is_refused_with_the_reason(
    folder: Path, tmp_path: Path, line: str, instead: str, told: str
) -> None:
    text = (folder / "person.yaml").read_text(encoding="utf-8")
    assert re.search(line, text), text
    other = tmp_path / "other.yaml"
    other.write_text(re.sub(line, instead, text), encoding="utf-8")
    done = ran(folder, "--profile", other)
    assert done.exit_code == 2
    assert told in done.stderr
    assert "calibrate again" in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize(("factor", "told"), [(1e-6, "far smaller"), (1e3, "far larger")])
def test_a_recording_in_another_unit_than_the_profile_is_refused(
    folder: Path, tmp_path: Path, factor: float, told: str
) -> None:
    """Volts against microvolts, and nanovolts: found nothing, or anything, and said nothing."""
    table = np.loadtxt(folder / "later.csv", delimiter=",", skiprows=1)
    written(tmp_path / "other.csv", table[:, 1:] * factor, places=9)
    profile = str(folder / "person.yaml")
    detect_options = ["--detector", "blink", "--profile", profile]
    done = CliRunner().invoke(detect, [str(tmp_path / "other.csv"), *detect_options])
    assert done.exit_code == 2
    assert told in done.stderr
    assert "`vertical [mV]`" in done.stderr
    run = [str(folder / "rules.yaml"), "--replay", str(tmp_path / "other.csv"), "--fast", "--dry-run"]
    done = CliRunner().invoke(run_command, [*run, "--profile", profile])
    assert done.exit_code == 2
    assert told in done.stderr
    assert CliRunner().invoke(detect, [str(folder / "later.csv"), *detect_options]).exit_code == 0


def test_a_profile_broken_by_hand_is_refused_with_its_place(folder: Path, tmp_path: Path) -> None:
    text = (folder / "person.yaml").read_text(encoding="utf-8")
    number = next(i for i, line in enumerate(text.splitlines(), 1) if "rate_hz" in line)
    broken = tmp_path / "broken.yaml"
    broken.write_text(re.sub(r"rate_hz: .*", "rate_hz: fast", text), encoding="utf-8")
    done = ran(folder, "--profile", broken)
    assert done.exit_code == 2
    assert f"broken.yaml:{number}:" in done.stderr
    assert done.stdout == ""
