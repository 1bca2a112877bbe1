"""A person's blinks measured at their labels; two half Gaussians each, noise white, in µV (``from memory``)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bridge.calibration.blink_fit import measure
from bridge.calibration.fit import enough
from bridge.calibration.labels import Act, LabelError, Labels, Stretch
from bridge.calibration.trials import Run
from bridge.detectors.blink import DELAY_S
from bridge.evaluation.from_recording import RecordingRunner
from bridge.evaluation.running import bind_detector, run
from bridge.recordings import Recording
from bridge.recordings.recording import Segment
from bridge.signals.types import Channel, Event, Samples, StreamInfo

RATE_HZ = 250.0
TIMES = tuple(float(t) for t in np.arange(6.0, 96.0, 4.0))


def pulses(times: tuple[float, ...], height: float, seconds: float = 100.0) -> Samples:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(np.sum([height * np.exp(-0.5 * ((t - at) / 0.03) ** 2) for at in times], axis=0))


def noise(seconds: float = 100.0) -> Samples:
    return np.random.default_rng(1).normal(0.0, 3.0, round(seconds * RATE_HZ))


def acts(times: tuple[float, ...] = TIMES) -> list[Act]:
    return [Act("blink", time) for time in times]


def conditioned(y: Samples) -> Run:
    """As if the detector's own filter had delayed it."""
    return Run([], np.roll(y, round(DELAY_S * RATE_HZ)), 0, RATE_HZ)


@pytest.mark.parametrize("turned", [1, -1])
def test_a_rebound_higher_than_its_blink_is_not_taken_for_it(turned: int) -> None:
    rebounds = pulses(tuple(time + 0.12 for time in TIMES), 70.0)
    lids = measure(conditioned(turned * (pulses(TIMES, 50.0) - rebounds + noise())), acts())
    assert lids.polarity == turned
    assert np.median(lids.heights) == pytest.approx(50.0, rel=0.15)


def test_a_moment_that_may_hold_a_blink_is_no_comparison() -> None:
    """Half way between the labelled ones lie blinks as high that are marked as optional."""
    optional = tuple(time + 2.0 for time in TIMES[:-3])
    y = pulses(TIMES, 50.0) + pulses(optional, 50.0) + noise()
    with pytest.raises(LabelError, match="no more at the labelled blinks"):
        measure(conditioned(y), acts())
    marked = [Act("blink", time, optional=True) for time in optional]
    assert measure(conditioned(y), acts(), marked).polarity == 1


def test_acts_under_a_bad_signal_count_towards_ten() -> None:
    done = acts(TIMES[:12])
    spoilt = [replace(act, optional=True, is_excused=True) for act in done[:4]]
    labels = Labels((*spoilt, *done[4:]), (Stretch(5.0, 100.0, ""),), False)
    assert enough(labels, few=False) == []
    with pytest.raises(LabelError, match="needs 10 acts"):
        enough(replace(labels, acts=tuple(done[4:])), few=False)


@pytest.mark.parametrize("settings", [{}, {"polarity": "positive", "strictness": 1.5}, {"threshold": 1e-9}])
@pytest.mark.parametrize("lost", [False, True])
def test_a_fit_that_conditions_once_finds_what_the_daemon_finds(
    settings: Mapping[str, Any], lost: bool
) -> None:
    """Event for event, also where samples were lost."""
    x = (pulses(TIMES, 150.0) + noise())[:, None]
    segments = (Segment(0, x[:9000]), Segment(9100, x[9100:])) if lost else (Segment(0, x),)
    recording = Recording(StreamInfo((Channel("c", "eeg"),), RATE_HZ), segments)
    (binding,) = bind_detector(recording, "blink", ["c"])
    runner = RecordingRunner(recording, binding)
    runner({})
    expected = run(recording, replace(binding, settings=settings)).events
    found = list(runner(settings).events)
    plain = [event for event in expected if not event.kind.startswith("signal-")]
    kept: list[Event] = [event for event in found if not event.kind.startswith("signal-")]
    assert kept == plain
    assert len(kept) >= len(TIMES) - 1
    assert runner(settings) is runner(dict(settings))
