"""The profile: text and back, hand-broken files, and what it refuses to be used on."""

from __future__ import annotations

import errno
import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.calibration.drift import Bounds
from bridge.calibration.evidence import Counts, Evidence, Prediction, Proposal, Trace
from bridge.calibration.profile import (
    DetectorProfile,
    MadeOn,
    Profile,
    ProfileError,
)
from bridge.calibration.profile_text import dump_profile, load_profile
from bridge.calibration.trials import Reaction
from bridge.detectors import DETECTORS
from bridge.recordings.profile_file import profile_path, read_profile_file, write_profile_file
from bridge.signals.types import Channel
from tests.faults import failing

VERTICAL = Channel("vertical", "eog-vertical", "uV")


@pytest.fixture
def profile() -> Profile:
    evidence = Evidence(
        counts=Counts({"blink deliberate": 20}, 19, 31, 2.5, 20.0, 48.0),
        d_prime=3.25,
        area=0.9875,
        prediction=Prediction(19, 20, 1, 2.5),
        default=Prediction(15, 20, 4, 2.5),
        verified=(5, 5),
        latency_s=(0.11, 0.18),
        reaction=Reaction(0.35, 0.05, 20),
        ratio=3.0,
        setting="deliberate_threshold",
        unit="uV",
        threshold=320.0,
        acts_sizes=(400.0, 420.5, 390.25),
        other_sizes=(200.0, 240.0),
        curve=((200.0, 1.0, 3.0), (320.0, 0.95, 0.4)),
        trace=Trace(-0.5, 0.02, np.array([[0.0, 1.0, 0.5], [1.0, 3.0, 2.0], [2.0, 5.0, 4.0]])),
        levels={"rest": 1.5},
        proposals=(
            Proposal("twice", "two", {"deliberate_threshold": 150.0}, 0.6, Prediction(20, 20, 0, 2.5), "x"),
        ),
        few=False,
        warnings=("mind: the gap", "'quoted'"),
    )
    part = DetectorProfile(
        {"polarity": "positive", "deliberate_threshold": 320.0},
        MadeOn((VERTICAL,), 200.0, DETECTORS["blink"].version, "low-pass 12 Hz", "2025-03-01T10:00:00+01:00"),
        evidence,
        Bounds(("blink",), "amplitude", 400.0, 250.0, 640.0),
    )
    return Profile("Aki", "no", {"blink": part})


def test_text_and_back_is_the_same(profile: Profile) -> None:
    text = dump_profile(profile)
    again = load_profile(text)
    assert dump_profile(again) == text
    assert again.device == "no"  # not false
    evidence, first = again.detectors["blink"].evidence, profile.detectors["blink"].evidence
    assert replace(evidence, trace=None) == replace(first, trace=None)
    assert again.detectors["blink"].bounds == profile.detectors["blink"].bounds


def test_it_states_exact_intervals(profile: Profile) -> None:
    import yaml
    from scipy import stats

    plain = yaml.safe_load(dump_profile(profile))["detectors"]["blink"]["evidence"]["predicted"]
    exact = stats.binomtest(19, 20).proportion_ci(0.95, "exact")
    assert plain["hit_rate_interval"] == pytest.approx([exact.low, exact.high], rel=1e-4)
    poisson = [stats.chi2.ppf(0.025, 2) / 2 / 2.5, stats.chi2.ppf(0.975, 4) / 2 / 2.5]
    assert plain["false_per_minute_interval"] == pytest.approx(poisson, rel=1e-4)


def test_settings_are_given_for_the_signal_they_were_made_on(profile: Profile) -> None:
    given_ = profile.settings_for("blink", [VERTICAL], 200.0)
    assert given_ == {"polarity": "positive", "deliberate_threshold": 320.0}
    assert profile.settings_for("blink") == given_
    assert profile.settings_for("blink", [replace(VERTICAL, name="v2")], 200.9) == given_


def test_settings_changed_by_hand_are_marked(profile: Profile) -> None:
    changed = profile.with_settings("blink", {"deliberate_threshold": 300.0}).with_settings("blink", {})
    assert changed.settings_for("blink") == {"polarity": "positive", "deliberate_threshold": 300.0}
    assert sum("by hand" in warning for warning in changed.detectors["blink"].evidence.warnings) == 1
    with pytest.raises(ProfileError, match="above 0"):
        profile.with_settings("blink", {"threshold": -1.0})
    with pytest.raises(ProfileError, match="calibrate it first"):
        profile.with_settings("gaze", {})


@pytest.mark.parametrize(
    ("channels", "rate", "reason"),
    [
        ([VERTICAL], 250.0, "made at 200 Hz, this signal has 250 Hz"),
        ([replace(VERTICAL, kind="eeg")], 200.0, "of kind eog-vertical, here are eeg"),
        ([replace(VERTICAL, unit="count")], 200.0, "of unit uV, here are count"),
    ],
)
def test_another_signal_is_refused_with_the_reason(
    profile: Profile, channels: list[Channel], rate: float, reason: str
) -> None:
    with pytest.raises(ProfileError, match=reason):
        profile.settings_for("blink", channels, rate)


def test_another_version_or_detector_is_refused(profile: Profile) -> None:
    part = profile.detectors["blink"]
    old = replace(part, made_on=replace(part.made_on, detector_version=99))
    with pytest.raises(ProfileError, match="version 99 of the detector"):
        replace(profile, detectors={"blink": old}).settings_for("blink")
    with pytest.raises(ProfileError, match="no settings for 'gaze'"):
        profile.settings_for("gaze")


@pytest.mark.parametrize(
    ("old", "new", "place", "message"),
    [
        ("polarity: positive", "polarty: positive", "9:7", "did you mean 'polarity'"),
        ("polarity: positive", "polarity: sideways", "9:17", "positive"),
        (
            "deliberate_threshold: 320.0\n    made_on",
            "deliberate_threshold: -3\n    made_on",
            "10:29",
            "above 0",
        ),
        ("rate_hz: 200.0", "rate_hz: fast", "13:16", "must be a number"),
        ("version: 1\nperson", "version: 7\nperson", "3:10", "reads version 1"),
        ("  blink:\n", "  wink:\n", "7:3", "no detector 'wink'"),
        ("person: Aki", "person: Aki\nperson: Bo", "5:1", "a second time"),
        ("hits: 19", "hits: 190", None, "190 hits in 20 acts"),
        ("device: 'no'", "device: [", None, "no YAML"),
        ("device: 'no'", "\tdevice: x", "5:1", "no YAML"),
    ],
)
def test_a_hand_broken_file_gets_its_place(
    profile: Profile, old: str, new: str, place: str | None, message: str
) -> None:
    text = dump_profile(profile)
    assert old in text
    with pytest.raises(ProfileError, match=message) as caught:
        load_profile(text.replace(old, new, 1), "aki.yaml")
    assert re.match(r"aki\.yaml:\d+:\d+: ", str(caught.value))
    if place is not None:
        assert str(caught.value).startswith(f"aki.yaml:{place}: ")


@given(st.text(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_text_gives_a_profile_or_an_error_with_a_place(text: str) -> None:
    with pytest.raises(ProfileError, match=r"^x:\d+:\d+: "):
        load_profile(text, "x")


def test_hostile_files_are_refused() -> None:
    for text in ("", "- " * 5000 + "x", "a: &a [*a, *a]", "a: &x [1,2]\nb: *x", "x" * 2_000_000, "[" * 3000):
        with pytest.raises(ProfileError):
            load_profile(text)


# -- on disk -----------------------------------------------------------------------------------------


def test_it_is_written_whole_and_read_back(profile: Profile, tmp_path: Path) -> None:
    path = tmp_path / "deep" / "aki.yaml"
    write_profile_file(path, profile)
    assert dump_profile(read_profile_file(path)) == path.read_text(encoding="utf-8")
    assert [item.name for item in path.parent.iterdir()] == ["aki.yaml"]


@pytest.mark.parametrize("call", ["open", "fsync", "replace"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EMFILE])
def test_a_failed_write_leaves_the_old_file(profile: Profile, call: str, number: int, tmp_path: Path) -> None:
    path = tmp_path / "aki.yaml"
    write_profile_file(path, profile)
    before = path.read_bytes()
    with (
        failing(call, number, from_call=1) as faults,
        pytest.raises(ProfileError, match=re.escape(os.strerror(number))),
    ):
        write_profile_file(path, replace(profile, person="Bo"))
    assert faults.struck == 1
    assert path.read_bytes() == before
    assert [item.name for item in tmp_path.iterdir()] == ["aki.yaml"]


def test_it_is_kept_by_person_and_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    path = profile_path("Aki M.", "board/2")
    assert path == tmp_path / "biosignal-bridge" / "profiles" / "Aki-M" / "board-2.yaml"
    with pytest.raises(ProfileError, match="cannot name"):
        profile_path("..", "x")


def test_unreadable_files_are_told(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="cannot be read"):
        read_profile_file(tmp_path / "none.yaml")
    (tmp_path / "latin.yaml").write_bytes(b"person: \xe9")
    with pytest.raises(ProfileError, match="not UTF-8"):
        read_profile_file(tmp_path / "latin.yaml")
