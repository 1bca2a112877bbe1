"""Fitted beside default on what the fit did not see."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from bridge.calibration.choice import Cost, Held
from bridge.calibration.held_out import Comparison, compare, folds, no_gain, pooled
from bridge.calibration.labels import Act, LabelError, Labels, Stretch
from bridge.calibration.trials import Trial, judge
from bridge.signals.types import Event

LABELS = Labels(tuple(Act("blink", 10.0 + 4 * i) for i in range(20)), (Stretch(5, 100, ""),), False)
COST = Cost(3.0, 6.0)


def event(time_s: float) -> Event:
    return Event("blink", "instant", time_s, time_s + 0.1, "v", {"amplitude": 100.0})


def test_folds_hold_out_every_act_and_every_second_once() -> None:
    parts = folds(LABELS)
    assert len(parts) == 5
    held = [LABELS.only(part.held) for part in parts]
    assert sorted(act.time_s for part in held for act in part.firm) == [a.time_s for a in LABELS.firm]
    assert sum(part.minutes for part in held) == pytest.approx(LABELS.minutes)
    for part in parts:
        training = LABELS.only(part.training)
        assert not {a.time_s for a in training.firm} & {a.time_s for a in LABELS.only(part.held).firm}
        assert training.minutes + LABELS.only(part.held).minutes == pytest.approx(LABELS.minutes)


def _judged(good: bool) -> Any:
    """A detector that finds all acts once told something, every third one by itself; or the other way round."""

    def judged(settings: Mapping[str, Any]) -> Trial:
        every = 1 if bool(settings) is good else 3
        return judge(settings, [event(act.time_s) for act in LABELS.firm[::every]], LABELS, None)

    return judged


@pytest.mark.parametrize("good", [True, False])
def test_what_a_fit_brings_is_counted_on_what_it_did_not_see(good: bool) -> None:
    seen: list[Labels] = []

    def propose(labels: Labels) -> Mapping[str, Any]:
        seen.append(labels)
        return {"threshold": 1.0}

    made = compare(propose, _judged(good), LABELS)
    fitted, default = pooled(made.fitted), pooled(made.default)
    assert (fitted.hits, default.hits) == ((20, 7) if good else (7, 20))
    assert fitted.acts == default.acts == 20
    assert all(len(labels.firm) == 16 for labels in seen)
    assert made.helps(COST) is good
    assert "7" in no_gain(made)


def test_a_fold_that_cannot_be_learnt_has_the_default() -> None:
    def refuse(_: Labels) -> Mapping[str, Any]:
        raise LabelError("too few")

    made = compare(refuse, _judged(True), LABELS)
    assert made.fitted == made.default
    assert not made.helps(COST)


def test_a_gain_in_one_fold_alone_is_no_gain() -> None:
    """Of five values, one x and four 0, the mean is x/5 and so is its standard error."""
    good, worse = Held(4, 4, 0, 1.0), Held(4, 4, 2, 1.0)
    one = Comparison((good,) * 5, (worse, good, good, good, good))
    assert one.gain(COST) == pytest.approx((3.0 * 2 / 5, 3.0 * 2 / 5))
    assert not one.helps(COST)
    assert Comparison((good,) * 5, (worse, worse, good, good, good)).helps(COST)
    assert not Comparison((good,) * 5, (good,) * 5).helps(COST)
    assert not Comparison((worse,) * 5, (good,) * 5).helps(COST)
