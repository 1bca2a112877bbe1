"""The signal check, on a real recording and on faults put into it."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from rich.console import Console

from bridge.commands.check import command
from bridge.commands.terminal_view import TerminalView
from bridge.recordings import ChannelChoice, read
from bridge.signals.types import Block, Channel, StreamInfo


def checked(*options: object) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(command, [*map(str, options), "--fast", "--json"], standalone_mode=False)
    assert done.exception is None, done.output
    return done.return_value, json.loads(done.stdout)


@pytest.fixture(scope="module")
def ecg(data_dir: Path) -> np.ndarray:
    recording = read(data_dir / "ecg/100.hea", channels=[ChannelChoice("MLII")])
    return next(recording.blocks(round(15 * recording.info.rate))).samples[:, 0]


def written(path: Path, samples: np.ndarray) -> Path:
    path.write_text("ecg\n" + "".join(f"{value:.4f}\n" for value in samples))
    return path


def test_a_good_ecg_passes(ecg: np.ndarray, tmp_path: Path) -> None:
    status, report = checked("--source", written(tmp_path / "ecg.csv", ecg), "--rate", 360)
    assert status == 0
    assert report["passed"] is True
    (channel,) = report["channels"]
    assert (channel["verdict"], channel["advice"]) == ("good", [])


def test_what_detectors_need_to_be_believed_is_said(ecg: np.ndarray, tmp_path: Path) -> None:
    """Of those that could work on the channels, and of no others."""
    file = written(tmp_path / "head.csv", ecg)
    _, report = checked("--source", file, "--rate", 360, "--kind", "eeg")
    assert set(report["cautions"]) == {"blink", "drowsiness", "alpha"}
    assert "long closures" in report["cautions"]["blink"]
    assert "calibration" in report["cautions"]["drowsiness"]
    assert "calibration" in report["cautions"]["alpha"]
    _, report = checked("--source", file, "--rate", 360)
    assert report["cautions"] == {}


def test_a_lead_that_is_off_fails_with_advice(ecg: np.ndarray, tmp_path: Path) -> None:
    flat = np.concatenate([ecg[: 360 * 3], np.full(360 * 12, ecg[0])])
    status, report = checked("--source", written(tmp_path / "ecg.csv", flat), "--rate", 360)
    assert status == 1
    (channel,) = report["channels"]
    assert channel["passed"] is False
    assert channel["reason"] in ("stalled", "flat")
    assert "lead" in " ".join(channel["advice"])


@pytest.mark.parametrize("hum_hz", [50, 60])
def test_mains_hum_is_named_and_advised_on(ecg: np.ndarray, tmp_path: Path, hum_hz: int) -> None:
    """5 m from mains appliances, laptop off its charger: common practice."""
    times = np.arange(len(ecg)) / 360
    hum = 2 * np.ptp(ecg) * np.sin(2 * np.pi * hum_hz * times)
    _, report = checked("--source", written(tmp_path / "ecg.csv", ecg + hum), "--rate", 360)
    (channel,) = report["channels"]
    assert channel["verdict"] != "good"
    assert channel["reason"] == "mains hum"
    assert channel[f"hum_{hum_hz}_share"] > 0.8
    assert channel[f"hum_{110 - hum_hz}_share"] < 0.2
    assert "charger" in " ".join(channel["advice"])


def test_in_words(ecg: np.ndarray, tmp_path: Path) -> None:
    file = written(tmp_path / "ecg.csv", ecg)
    done = CliRunner().invoke(
        command, ["--source", str(file), "--rate", "360", "--fast"], standalone_mode=False
    )
    assert done.return_value == 0
    assert "ecg (ecg): pass" in done.stdout
    assert "samples at 360 Hz" in done.stderr


def test_the_live_view_shows_traces_and_nothing_that_a_check_has_not(ecg: np.ndarray) -> None:
    view = TerminalView("signal check", traces_only=True)
    view.opened({"": StreamInfo((Channel("chest", "ecg"), Channel("arm", "emg")), 250)})
    view.block("", Block(np.column_stack((ecg[:1500], ecg[:1500])), 0))
    view.note("chest good")
    console = Console(width=80, height=24, file=StringIO(), record=True)
    console.print(view)
    shown = console.export_text()
    assert "chest: heart (ECG)" in shown
    assert "arm: muscle (EMG)" in shown
    assert "chest good" in shown
    assert "would have sent" not in shown
    # Two traces share the screen, whatever its height, and none is pushed off it.
    assert len(shown.splitlines()) <= 24
    assert sum(any("\u2801" <= cell <= "\u28ff" for cell in line) for line in shown.splitlines()) >= 8
