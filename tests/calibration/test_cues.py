"""The cue plan and the routine that walks it."""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.calibration.cues import (
    ACTS,
    CALIBRATED,
    FLASHES_PER_S,
    Cue,
    Routine,
    Step,
    at_pace,
    plan,
    total_s,
)


@pytest.mark.parametrize("detector", CALIBRATED)
def test_one_detector_takes_about_three_minutes(detector: str) -> None:
    assert total_s(plan([detector])) <= 240


@pytest.mark.parametrize(
    ("detector", "labels"),
    [
        ("blink", ["cue blink deliberate"]),
        ("gaze", ["cue gaze-left", "cue gaze-right"]),
        ("contraction", ["cue contraction light", "cue contraction strong"]),
    ],
)
def test_ten_acts_of_a_kind_with_jittered_spacing(detector: str, labels: list[str]) -> None:
    act = next(step for step in plan([detector]) if step.name == "act")
    for label in labels:
        assert sum(cue.label == label for cue in act.cues) >= ACTS
    gaps = {round(b.at_s - a.at_s, 3) for a, b in pairwise(act.cues)}
    assert len(gaps) > len(act.cues) // 2


def test_steps_come_in_order_and_are_shared() -> None:
    steps = plan(["blink", "gaze"])
    assert [step.name for step in steps] == ["rest", "act", "twice", "act", "everyday", "verify", "verify"]
    assert [step.name for step in plan(["heartbeat"])] == ["rest"]
    assert any(step.name == "maximum" for step in plan(["contraction"]))


def test_every_look_aside_is_followed_by_a_look_back() -> None:
    act = next(step for step in plan(["gaze"]) if step.name == "act")
    for aside, back in zip(act.cues[0::2], act.cues[1::2], strict=True):
        assert aside.label in ("cue gaze-left", "cue gaze-right")
        assert back.label == "cue gaze-centre"


@pytest.mark.parametrize("detector", CALIBRATED)
@pytest.mark.parametrize("seed", range(5))
def test_no_prompts_faster_than_three_a_second(detector: str, seed: int) -> None:
    # WCAG 2.2, 2.3.1: three flashes or below.
    routine = Routine(plan([detector], seed=seed))
    times: list[float] = []
    time_s = 0.0
    while not routine.done:
        times.extend(item.time_s for item in routine.advance(time_s) if item.what in ("cue", "let-go"))
        time_s += 0.05
    assert all(b - a >= 1 / FLASHES_PER_S for a, b in pairwise(times))


def test_too_fast_a_plan_is_refused() -> None:
    cues = (Cue(1.0, "cue blink", "BLINK"), Cue(1.2, "cue blink", "BLINK"))
    with pytest.raises(ValueError, match="flash too fast"):
        Routine([Step("act", "blink", "", 3.0, cues)])


def test_the_clock_may_be_asked_at_any_pace() -> None:
    """Blocks of 4 ms or of 2 s: the same things fall due at the same times."""

    def walked(step_s: float) -> list[tuple[str, float]]:
        routine = Routine(plan(["blink"], seed=3))
        told: list[tuple[str, float]] = []
        time_s = 0.0
        while not routine.done:
            told.extend((item.what, round(item.time_s, 6)) for item in routine.advance(time_s))
            time_s += step_s
        return told

    assert walked(0.004) == walked(2.0)


def test_a_step_can_be_repeated_while_it_runs_and_after() -> None:
    routine = Routine(plan(["blink"], seed=0), pause_s=2.0)
    routine.advance(0.0)
    assert routine.step.name == "rest"
    assert routine.repeat(5.0) == 0
    assert routine.advance(6.9) == []
    assert [item.what for item in routine.advance(7.0)] == ["step"]
    ended = routine.advance(27.0)
    assert ended[-1].what == "step-ended"
    assert routine.step.name == "act"
    assert routine.repeat(28.0) == 0
    assert routine.step.name == "rest"


def test_go_ends_the_pause() -> None:
    routine = Routine(plan(["heartbeat", "blink"], seed=0), pause_s=60.0)
    routine.advance(0.0)
    routine.advance(20.0)
    assert routine.advance(21.0) == []
    routine.go(21.0)
    assert [item.what for item in routine.advance(21.0)] == ["step"]


def test_wrong_asks_are_refused() -> None:
    with pytest.raises(ValueError, match="no calibration for 'sleep'"):
        plan(["sleep"])
    with pytest.raises(ValueError, match="at least three"):
        plan(["blink"], acts=2)
    with pytest.raises(ValueError, match="faster than planned"):
        at_pace(plan(["blink"]), 0.5)
    slower = at_pace(plan(["blink"]), 2.0)
    assert total_s(slower) > total_s(plan(["blink"]))
