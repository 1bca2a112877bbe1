"""Whole sessions for gaze and contraction by a plain model (plumbing, no statement about people)."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.calibration.cues import Routine, plan
from bridge.calibration.evidence import Fitted
from bridge.calibration.labels import LabelError
from bridge.evaluation.from_recording import calibrate
from bridge.pipeline import Wanted, bind
from bridge.recordings.recording import Recording, Segment
from bridge.signals.types import Annotation, Channel, Samples, StreamInfo

REACTION_S = 0.25
# A session of minutes is gone through some twenty times, sample by sample and not compiled.
pytestmark = pytest.mark.timeout(600)


def marks_of(detector: str, seed: int) -> tuple[list[Annotation], float]:
    """What our routine writes, and when it ends."""
    routine = Routine(plan([detector], seed=seed))
    marks: list[Annotation] = []
    time_s = 5.0
    while not routine.done:
        for item in routine.advance(time_s):
            if item.what == "step" and item.step is not None:
                marks.append(Annotation(item.time_s, item.step.seconds, item.step.label))
            elif item.what == "cue" and item.cue is not None:
                marks.append(Annotation(item.time_s, item.cue.hold_s, item.cue.label))
        time_s += 0.1
    return marks, time_s + 1.0


def fitted(
    detector: str, channel: Channel, rate_hz: float, samples: Samples, marks: list[Annotation]
) -> Fitted:
    info = StreamInfo((channel,), rate_hz)
    recording = Recording(info, [Segment(0, samples[:, None])])
    return calibrate(recording, bind(info, [Wanted(detector)])[0], marks).fitted


def glances(marks: list[Annotation], seconds: float, rate_hz: float, sign: int) -> Samples:
    """20 degrees at 18 µV a degree on cue; 5 degrees now and then while nothing is asked."""
    random = np.random.default_rng(4)
    times = np.arange(int(seconds * rate_hz)) / rate_hz
    place = np.zeros(len(times))
    for mark in marks:
        if mark.label.startswith("cue gaze-"):
            target = {"left": -360.0, "right": 360.0, "centre": 0.0}[mark.label.removeprefix("cue gaze-")]
            place[times >= mark.onset + REACTION_S + float(random.normal(0, 0.03))] = target
        elif mark.label.startswith("do "):
            for at in np.arange(mark.onset + 1, mark.onset + mark.duration - 1, 1.3):
                place[times >= at] += float(random.choice([-90.0, 90.0]))
            place[times >= mark.onset + mark.duration - 0.5] = 0.0
    width = max(2, round(0.05 * rate_hz))
    smooth = np.convolve(place, np.ones(width) / width, "same")
    return sign * smooth + random.normal(0, 4, len(times)) + 20 * np.sin(2 * np.pi * 0.05 * times)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_gaze_session_tells_glances_from_small_shifts_either_way_round(sign: int) -> None:
    marks, seconds = marks_of("gaze", 1)
    channel = Channel("horizontal", "eog-horizontal", "uV")
    result = fitted("gaze", channel, 125.0, glances(marks, seconds, 125.0, sign), marks)
    assert result.settings["horizontal_polarity"] == sign
    evidence = result.evidence
    assert evidence.counts.acts == {
        "gaze-left": 10,
        "gaze-right back": 10,
        "gaze-right": 10,
        "gaze-left back": 10,
    }
    assert evidence.prediction.hit_rate >= 0.95
    assert evidence.prediction.false <= 2
    assert 100 < result.settings["horizontal_threshold"] < 350
    assert evidence.verified is not None
    assert evidence.verified[0] == evidence.verified[1]


def test_gaze_cues_that_were_mixed_up_are_told() -> None:
    marks, seconds = marks_of("gaze", 1)
    samples = glances(marks, seconds, 125.0, 1)
    sides = [mark for mark in marks if mark.label in ("cue gaze-left", "cue gaze-right")][:20]
    # As many of each side, in an order of their own.
    labels = iter(np.random.default_rng(0).permutation([mark.label for mark in sides]).tolist())
    mixed = [Annotation(m.onset, m.duration, next(labels)) if m in sides else m for m in marks]
    with pytest.raises(LabelError, match="wrong order"):
        fitted("gaze", Channel("horizontal", "eog-horizontal", "uV"), 125.0, samples, mixed)


def test_a_contraction_session_measures_the_maximum() -> None:
    rate_hz = 250.0
    marks, seconds = marks_of("contraction", 2)
    random = np.random.default_rng(5)
    effort = np.full(int(seconds * rate_hz), 3.0)
    strengths = {"light": 30.0, "strong": 80.0, "maximum": 200.0}
    for mark in marks:
        if mark.label.startswith("cue contraction "):
            start = round((mark.onset + REACTION_S) * rate_hz)
            effort[start : start + round(mark.duration * rate_hz)] = strengths[mark.label.split()[2]]
    samples = effort * random.standard_normal(len(effort))
    result = fitted("contraction", Channel("forearm", "emg", "uV"), rate_hz, samples, marks)
    evidence = result.evidence
    assert evidence.prediction.hit_rate >= 0.95
    assert evidence.prediction.false <= 1
    # White noise from 20 Hz to half the rate keeps all but 8 % of its amplitude, less the notches.
    assert result.settings["mvc"] == pytest.approx(200, rel=0.25)
    assert evidence.counts.acts == {"contraction light": 10, "contraction strong": 10}
    assert not any("maximum" in warning for warning in evidence.warnings)
