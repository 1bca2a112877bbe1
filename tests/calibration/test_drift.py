"""Following slow drift, and saying so when a step goes beyond the profile's bounds."""

from __future__ import annotations

import pytest

from bridge.calibration.drift import FOLLOW_PER_MINUTE, Bounds, DriftWatcher, apply, bounds_for
from bridge.detectors import DETECTORS
from bridge.signals.types import Channel, Event

BOUNDS = Bounds(("blink",), "amplitude", 400.0, 280.0, 640.0)
SETTINGS = {"polarity": "positive", "threshold": 200.0}


def blink(time_s: float, size: float, detector: str = "blink", **values: float) -> Event:
    return Event("blink", "instant", time_s, time_s + 0.1, "v", {"amplitude": size, **values}, 1.0, detector)


def test_thresholds_follow_slow_drift_and_no_faster() -> None:
    watcher = DriftWatcher("blink", SETTINGS, BOUNDS)
    told = []
    for minute in range(20):
        for second in range(0, 60, 6):
            time_s = 60 * minute + second
            told += watcher.process([blink(time_s, 400 * (1 - 0.015 * time_s / 60))])
    assert told == []
    # After 20 minutes acts are at 0.70 of the start, the bound; 1.5 % a minute is slower than it may follow.
    assert watcher.factor == pytest.approx(0.715, abs=0.02)
    assert watcher.settings() == {"threshold": pytest.approx(200 * watcher.factor)}


def test_a_step_within_bounds_is_followed_slowly() -> None:
    watcher = DriftWatcher("blink", SETTINGS, BOUNDS)
    for index in range(10):
        watcher.process([blink(6.0 * index, 400.0)])
    for index in range(10, 20):
        watcher.process([blink(6.0 * index, 320.0)])
    # It may have moved for one minute at most.
    assert 1 - FOLLOW_PER_MINUTE - 1e-9 <= watcher.factor < 1


def test_a_step_beyond_bounds_is_said_once_and_nothing_is_re_thresholded() -> None:
    watcher = DriftWatcher("blink", SETTINGS, BOUNDS)
    told = watcher.process([blink(6.0 * index, 400.0) for index in range(10)])
    told += watcher.process([blink(60 + 6.0 * index, 250.0) for index in range(10)])
    assert [event.kind for event in told] == ["fit-lost"]
    assert "calibrate again" in told[0].note
    assert told[0].values["share"] == pytest.approx(250 / 400)
    assert watcher.factor == pytest.approx(1.0)
    told = watcher.process([blink(130 + 6.0 * index, 400.0) for index in range(10)])
    assert [event.kind for event in told] == ["fit-back"]


def test_others_do_not_count() -> None:
    watcher = DriftWatcher("blink", {"deliberate_threshold": 300.0}, BOUNDS)
    everyday = [blink(float(index), 100.0, deliberate=0.0) for index in range(20)]
    other = [blink(float(index), 100.0, detector="left") for index in range(20)]
    assert watcher.process(everyday + other) == []
    assert watcher.factor == 1.0


def test_bounds_keep_thresholds_above_what_must_not_trigger() -> None:
    curve = [(100.0, 1.0, 5.0), (150.0, 1.0, 2.0), (200.0, 1.0, 0.0), (250.0, 1.0, 0.0)]
    bounds = bounds_for(["blink"], "amplitude", [380.0, 400.0, 420.0], curve, 200.0)
    assert bounds is not None
    # False activations begin at 150, three quarters of the threshold.
    assert bounds.low == pytest.approx(300.0)
    assert bounds.high == pytest.approx(640.0)
    assert bounds_for(["blink"], "amplitude", []) is None


def test_a_running_detector_takes_a_new_threshold() -> None:
    channel = Channel("v", "eog-vertical", "uV")
    detector = DETECTORS["blink"].create("blink", [channel], 200.0, SETTINGS)
    assert apply(detector, {"threshold": 150.0})
    assert detector.settings.threshold == 150.0
    assert not apply(object(), {"threshold": 150.0})
