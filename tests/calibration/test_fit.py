"""The fit on a person by a stated model (see model_person: a model, not data)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from model_person import INFO, Blinker, session

from bridge.calibration.choice import Cost, cheapest, costs, cross_validated, smoothed, table
from bridge.calibration.evidence import Fitted
from bridge.calibration.held_out import pooled
from bridge.calibration.labels import Act, LabelError, Labels, Stretch
from bridge.calibration.proposal import pairs_within
from bridge.calibration.trials import Trial, judge, pair
from bridge.evaluation.from_recording import calibrate
from bridge.pipeline import Wanted, bind
from bridge.recordings.recording import Recording, Segment
from bridge.signals.types import Annotation, Event, Samples


def fitted(
    samples: Samples, marks: tuple[Annotation, ...], *, few: bool = False, ratio: float = 3.0
) -> Fitted:
    recording = Recording(INFO, [Segment(0, samples)], marks)
    binding = bind(INFO, [Wanted("blink")])[0]
    return calibrate(recording, binding, marks, few=few, ratio=ratio).fitted


@pytest.fixture(scope="module")
def clear() -> Fitted:
    return fitted(*session(Blinker(ratio=1.8, spread=0.12, seed=2), seed=2))


def test_deliberate_blinks_are_told_from_everyday_ones(clear: Fitted) -> None:
    evidence = clear.evidence
    assert clear.settings["polarity"] == "positive"
    # Between the medians of the two distributions of the model, 250 and 450 µV.
    assert 260 < clear.settings["deliberate_threshold"] < 440
    assert evidence.prediction.hit_rate >= 0.9
    assert evidence.area is not None
    assert evidence.area > 0.98
    assert evidence.counts.acts == {"blink deliberate": 10}
    assert evidence.counts.others > 15
    assert not evidence.proposals
    assert evidence.verified is not None
    assert evidence.verified[0] >= 4


def test_the_reaction_time_is_measured(clear: Fitted) -> None:
    reaction = clear.evidence.reaction
    assert reaction is not None
    # The model's median: 0.3 s and 0.1 s until the lid is closed.
    assert reaction.median_s == pytest.approx(0.4, abs=0.06)


def test_it_does_better_than_the_detector_alone(clear: Fitted) -> None:
    evidence = clear.evidence
    assert evidence.default is not None
    assert evidence.prediction.hits >= evidence.default.hits
    assert evidence.prediction.false <= evidence.default.false + 1


def test_a_blink_like_any_other_is_not_promised_but_two_in_a_row_are() -> None:
    result = fitted(*session(Blinker(ratio=1.05, spread=0.2, seed=0), seed=0))
    evidence = result.evidence
    assert any("cannot be told" in warning for warning in evidence.warnings)
    best = evidence.proposals[0]
    assert best.name == "twice"
    assert best.within_s is not None
    # The model's pairs are 400 to 550 ms apart.
    assert 0.5 <= best.within_s <= 0.8
    assert best.prediction.hit_rate > evidence.prediction.hit_rate


def test_nobody_acting_is_told() -> None:
    samples, marks = session(Blinker(acts=False, seed=1), seed=1)
    rng = np.random.default_rng(0)
    quiet = rng.normal(0, 5, samples.shape)
    with pytest.raises(LabelError, match="nobody acted"):
        fitted(quiet, marks)


def test_blinks_that_do_not_follow_the_cues_are_told() -> None:
    """Spontaneous blinks alone fall near a cue by chance, not after a reaction time."""
    with pytest.raises(LabelError, match=r"not follow the cues|nobody acted"):
        fitted(*session(Blinker(acts=False, seed=3), seed=3))


def test_electrodes_off_half_way_are_told() -> None:
    samples, marks = session(Blinker(seed=4), seed=4)
    half = samples.copy()
    half[int(30 * INFO.rate) :] = half[int(30 * INFO.rate)]
    with pytest.raises(LabelError, match="bad signal"):
        fitted(half, marks)


def test_fewer_than_ten_acts_need_to_be_allowed_and_are_marked() -> None:
    samples, marks = session(Blinker(ratio=2.0, seed=5), seed=5, acts=5)
    with pytest.raises(LabelError, match="--few"):
        fitted(samples, marks)
    result = fitted(samples, marks, few=True)
    assert result.evidence.few
    assert any("few acts" in warning for warning in result.evidence.warnings)


def test_a_dearer_false_activation_makes_it_stricter() -> None:
    samples, marks = session(Blinker(ratio=1.4, spread=0.2, seed=6), seed=6)
    cheap = fitted(samples, marks, ratio=0.1).settings.get("deliberate_threshold", 0.0)
    dear = fitted(samples, marks, ratio=30.0).settings.get("deliberate_threshold", 1e9)
    assert cheap < dear


def test_gaze_cues_in_a_wrong_order_are_told() -> None:
    """Shifts to both sides after cues that do not say which: neither way round fits."""
    from bridge.calibration.trials import Run
    from bridge.calibration.tuning import TUNINGS

    acts = tuple(Act(("gaze-left", "gaze-right")[i % 2], 10.0 + 3 * i) for i in range(20))
    labels = Labels(acts, (Stretch(5, 80, "everyday"),), False)

    def run(settings: object) -> Run:
        flip = getattr(settings, "get", lambda *_: 1)("horizontal_polarity", 1)
        kinds = [("gaze-left", "gaze-right")[(i % 2 + (i // 2) % 2 + (flip < 0)) % 2] for i in range(20)]
        events = [
            Event(kind, "instant", act.time_s + 0.1, act.time_s + 0.2, "h", {"amplitude": 50.0})
            for kind, act in zip(kinds, acts, strict=True)
        ]
        return Run(events, np.zeros(100), 0, 100.0)

    with pytest.raises(LabelError, match="wrong order"):
        TUNINGS["gaze"].measure(run, labels, "uV")


# -- the parts ---------------------------------------------------------------------------------------


def event(time_s: float, kind: str = "blink") -> Event:
    return Event(kind, "instant", time_s, time_s + 0.1, "v", {"amplitude": 100.0})


def test_pairing_is_one_to_one_and_finds_as_many_as_can_be() -> None:
    acts = [Act("blink", 1.0, source="cued"), Act("blink", 2.0, source="cued")]
    answers, left = pair(acts, [event(1.9), event(2.1), event(9.0)], None)
    assert [answer is not None for answer in answers] == [True, True]
    assert [item.onset for item in left] == [9.0]
    assert pair(acts, [event(1.2, "long-closure")], None)[0] == [None, None]


def test_what_comes_in_a_pause_or_for_an_optional_act_is_no_false_activation() -> None:
    labels = Labels((Act("blink", 10.0), Act("blink", 12.0, optional=True)), (Stretch(5, 15, "rest"),), False)
    trial = judge({}, [event(10.0), event(12.1), event(14.0), event(20.0)], labels, None)
    assert trial.hits == 1
    assert [item.onset for item in trial.false] == [14.0]


def test_the_middle_of_the_cheapest_stretch_is_taken() -> None:
    values = np.geomspace(1, 16, 9)
    cost = np.array([9, 5, 1, 1, 1, 1, 1, 5, 9.0])
    assert cheapest(values, cost) == 4
    assert cheapest(values, cost, own=values[3]) == 3
    assert cheapest(values, cost, own=100.0) == 6
    assert cheapest(values, np.array([1, 1, 1, 1, 1, 1, 5, 9, 9.0]), safe=values[5]) == 5


def test_smoothing_keeps_a_constant_and_spreads_a_cliff() -> None:
    values = np.geomspace(1, 4, 30)
    assert smoothed(np.full(30, 2.0), values) == pytest.approx(2.0)
    cliff = smoothed(np.r_[np.zeros(15), np.ones(15)], values)
    assert cliff[14] > 0.1
    assert cliff[0] == pytest.approx(0.0)


def test_folds_hold_out_each_act_once() -> None:
    acts = tuple(Act("blink", 10.0 + 4 * i) for i in range(12))
    labels = Labels(acts, (Stretch(5, 70, "everyday"),), False)
    good = Trial({}, tuple(event(act.time_s) for act in acts), ())
    bad = replace(good, answers=(None,) * 12, false=(event(50.0),))
    whole = table([good, bad], labels, [1.0, 4.0])
    assert whole.minutes.sum() == pytest.approx(labels.minutes)
    assert costs(whole, Cost(3.0, 6.0))[0] == pytest.approx(0.0)
    held = pooled(cross_validated(whole, Cost(3.0, 6.0)))
    assert (held.hits, held.acts, held.false) == (12, 12, 0)


def test_pairs_within_a_time_use_each_event_once() -> None:
    assert pairs_within([1.0, 1.4, 1.8, 5.0, 5.9, 6.2], 0.5) == 2
    assert pairs_within([], 0.5) == 0
