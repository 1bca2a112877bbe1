"""The profile in force: what is kept before there is one, and what is refused."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from bridge.calibration.figures import figures_of
from bridge.calibration.profile import ProfileError
from bridge.recordings.profile_file import read_profile_file
from bridge.service.fitted import FittedProfile
from bridge.signals.types import Channel

CHANNEL = Channel("forehead", "eeg", "uV")


def signal_of(detector: str) -> tuple[Sequence[Channel], float]:
    return (CHANNEL,), 250.0


def test_settings_kept_before_there_is_a_profile_make_one(tmp_path: Path) -> None:
    used: list[bool] = []
    shelf = FittedProfile(tmp_path / "new.yaml", None, lambda: used.append(True), signal_of=signal_of)
    assert shelf.can_keep
    shelf.keep("blink", {"threshold": 120.0})
    made = read_profile_file(tmp_path / "new.yaml")
    assert made.settings_for("blink", [CHANNEL], 250.0) == {"threshold": 120.0}
    with pytest.raises(ProfileError, match="made at 250 Hz"):
        made.settings_for("blink", [CHANNEL], 500.0)
    (warning,) = made.detectors["blink"].evidence.warnings
    assert "nothing was measured" in warning
    assert ("rests on", "no labelled acts in 0.0 min") in figures_of(made.detectors["blink"])
    shelf.keep("gaze", {"strictness": 1.5})
    assert set(read_profile_file(tmp_path / "new.yaml").detectors) == {"blink", "gaze"}
    assert used == [True, True]


def test_what_makes_no_sense_makes_no_profile(tmp_path: Path) -> None:
    shelf = FittedProfile(tmp_path / "new.yaml", None, lambda: None, signal_of=signal_of)
    with pytest.raises(ProfileError, match="threshold"):
        shelf.keep("blink", {"threshold": -1.0})
    with pytest.raises(ProfileError, match="no detector"):
        shelf.keep("yawn", {"threshold": 1.0})
    assert not (tmp_path / "new.yaml").exists()
    assert shelf.profile is None


def test_without_a_named_file_nothing_is_kept(tmp_path: Path) -> None:
    shelf = FittedProfile(tmp_path / "own.yaml", None, lambda: None)
    assert not shelf.can_keep
    with pytest.raises(ProfileError, match="--profile"):
        shelf.keep("blink", {"threshold": 120.0})
