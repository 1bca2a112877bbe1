"""Efforts measured in the signal itself, and which electrodes tell them (made signals, no people)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bridge.calibration.evidence import Fitted
from bridge.calibration.labels import LabelError, read_labels
from bridge.calibration.muscle_fit import measure
from bridge.calibration.profile import Profile, ProfileError, part_of
from bridge.calibration.profile_text import dump_profile, load_profile
from bridge.calibration.separation import area_error
from bridge.evaluation.from_recording import RecordingRunner, calibrate
from bridge.pipeline import Wanted, bind
from bridge.recordings.recording import Recording, Segment
from bridge.signals.types import Annotation, Channel, Event, Samples, StreamInfo

RATE_HZ = 200.0
REACTION_S = 0.3
MARKS = tuple(Annotation(6.0 + 4 * act, 2.0, "contraction") for act in range(12))
SECONDS = 56.0


def signal(seed: int, ratios: Sequence[float], loose: Sequence[int] = ()) -> Samples:
    """White noise, so many times stronger during efforts; bursts on loose electrodes between and during them."""
    random = np.random.default_rng(seed)
    times = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    acting = np.zeros(len(times), dtype=bool)
    for mark in MARKS:
        since_s = times - mark.onset - REACTION_S
        acting |= (since_s >= 0) & (since_s < mark.duration)
    columns = []
    for column, ratio in enumerate(ratios):
        amplitude = np.where(acting, 10.0 * ratio, 10.0)
        if column in loose:
            for start_s in np.arange(2.0, SECONDS, 1.3):
                at_s = start_s + random.uniform(0, 0.8)
                amplitude[(times >= at_s) & (times < at_s + 0.4)] = 400.0
        columns.append(amplitude * random.standard_normal(len(times)))
    return np.round(np.array(columns).T)


def info(count: int) -> StreamInfo:
    return StreamInfo(tuple(Channel(f"e{number + 1}", "emg", "uV") for number in range(count)), RATE_HZ)


def runner(samples: Samples) -> RecordingRunner:
    of = info(samples.shape[1])
    return RecordingRunner(Recording(of, [Segment(0, samples)]), bind(of, [Wanted("contraction")])[0])


def fitted(samples: Samples, marks: Sequence[Annotation] = MARKS) -> Fitted:
    of = info(samples.shape[1])
    recording = Recording(of, [Segment(0, samples)])
    return calibrate(recording, bind(of, [Wanted("contraction")])[0], marks).fitted


def starts(samples: Samples, settings: dict[str, Any]) -> list[Event]:
    found = runner(samples)(settings).events
    return [event for event in found if event.kind == "contraction" and event.edge == "start"]


def test_rest_efforts_and_reaction_are_read_off_the_signal() -> None:
    labels = read_labels(MARKS, ("contraction",), 0, SECONDS)
    muscle = measure(runner(signal(1, [8.0])).signal, labels)
    whole, some = muscle.whole, muscle.some
    assert np.median(whole.held) - np.median(whole.rests) == pytest.approx(np.log(8), abs=0.1)
    assert whole.reaction is not None
    assert whole.reaction.median_s == pytest.approx(REACTION_S, abs=0.05)
    assert whole.is_certain
    assert some is None  # there is but one electrode


def test_efforts_that_the_detector_does_not_find_are_no_reason_to_refuse() -> None:
    """Of a third more than rest, one electrode: hardly any is found, but the signal shows all of them."""
    samples = signal(2, [1.35])
    assert len(starts(samples, {})) <= 4
    result = fitted(samples)
    assert result.evidence.levels["usual"] / result.evidence.levels["rest"] == pytest.approx(1.35, rel=0.07)


def test_labels_that_the_muscle_knows_nothing_of_are_refused() -> None:
    shifted = tuple(replace(mark, onset=mark.onset * 1.31 % 46 + 5) for mark in MARKS)
    with pytest.raises(LabelError):
        fitted(signal(3, [8.0]), sorted(shifted, key=lambda mark: mark.onset))


@pytest.fixture(scope="module")
def half_loose() -> Fitted:
    return fitted(signal(4, [5.0] * 4, (1, 3)))


def test_loose_electrodes_are_left_out_and_that_holds_on_another_day(half_loose: Fitted) -> None:
    assert half_loose.settings["electrodes"] == "e1 e3"
    clear = {name: value for name, value in half_loose.evidence.levels.items() if name.startswith("e")}
    assert min(clear["e1: effort from rest, d'"], clear["e3: effort from rest, d'"]) > 2
    assert max(clear["e2: effort from rest, d'"], clear["e4: effort from rest, d'"]) < 1
    other_day = signal(5, [5.0] * 4, (1, 3))
    own, with_fit = (starts(other_day, settings) for settings in ({}, half_loose.settings))
    # All twelve efforts, and hardly anything else.
    for mark in MARKS:
        assert any(-0.1 <= event.onset - mark.onset - REACTION_S <= 0.3 for event in with_fit)
    assert len(with_fit) <= len(MARKS) + 1
    assert len(own) >= len(MARKS) + 5


def test_where_all_electrodes_tell_all_of_them_count() -> None:
    result = fitted(signal(6, [6.0, 4.0, 5.0]))
    assert "electrodes" not in result.settings
    assert "those stay" in " ".join(result.evidence.warnings)


def test_a_profile_whose_electrodes_are_not_here_says_so(half_loose: Fitted) -> None:
    part = part_of(half_loose, info(4).channels, RATE_HZ, "2026-01-01T00:00:00+00:00")
    profile = load_profile(dump_profile(Profile("anna", "ring", {"contraction": part})))
    assert profile.settings_for("contraction", info(4).channels, RATE_HZ)["electrodes"] == "e1 e3"
    with pytest.raises(ProfileError, match="electrode e3 is not among the channels here"):
        profile.settings_for("contraction", info(2).channels, RATE_HZ)


def test_standard_error_of_an_area() -> None:
    """Hanley & McNeil 1982, by the same formula written out: area 0.8 of 20 and 30 values."""
    q1, q2 = 0.8 / 1.2, 2 * 0.64 / 1.8
    expected = np.sqrt((0.16 + 19 * (q1 - 0.64) + 29 * (q2 - 0.64)) / 600)
    assert area_error(0.8, 20, 30) == pytest.approx(expected)
