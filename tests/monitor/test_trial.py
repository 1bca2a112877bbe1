"""A re-run of what is kept gives what the daemon itself would have given."""

from __future__ import annotations

import pytest

from bridge.monitor import trial
from bridge.pipeline import BindingError
from bridge.signals.types import Event

from .rig import Rig


def snapshot(seconds: float = 40.0) -> tuple[Rig, trial.Snapshot]:
    rig = Rig()
    rig.monitor.opened({"": rig.info})
    rig.past(seconds)
    history = rig.monitor._feed.histories[0]
    return rig, trial.Snapshot(rig.info, tuple(history.blocks()), 0.0)


def never() -> bool:
    return False


@pytest.mark.parametrize("detector", ["blink", "gaze", "contraction", "heartbeat"])
def test_the_settings_in_force_give_the_same_events(detector: str) -> None:
    rig, kept = snapshot()
    binding = next(b for b in rig.bindings if b.name == detector)
    ran = trial.run(kept, binding, binding.settings, never)
    live = [event for _, event in rig.decided if event.detector == detector]
    assert live
    assert list(ran.events) == live
    first_s, per_s, columns = trial.thin(ran, rig.info.rate, 0.0)
    assert first_s == 0.0
    assert columns.shape[:2] == (3, 2)
    assert columns.shape[2] / per_s == pytest.approx(40.0, rel=0.01)


def test_a_higher_threshold_loses_small_blinks() -> None:
    rig, kept = snapshot()
    binding = next(b for b in rig.bindings if b.name == "blink")
    before = trial.run(kept, binding, {}, never)
    after = trial.run(kept, binding, {"threshold": 10_000.0}, never)
    gone, new = trial.changed(before.events, after.events)
    assert after.events == ()
    assert gone == [event for event in before.events if event.edge != "end"]
    assert new == []
    assert all(event["changed"] for event in trial.summary(before, gone))


def test_a_blink_that_is_no_longer_deliberate_counts_as_changed() -> None:
    def blink(deliberate: float) -> Event:
        return Event("blink", "instant", 1.0, 1.1, "forehead", {"deliberate": deliberate}, detector="blink")

    gone, new = trial.changed([blink(1.0)], [blink(0.0)])
    assert len(gone) == len(new) == 1
    assert trial.changed([blink(1.0)], [blink(1.0)]) == ([], [])


def test_a_newer_question_ends_the_run() -> None:
    rig, kept = snapshot(10.0)
    with pytest.raises(trial.SupersededError):
        trial.run(kept, rig.bindings[0], {}, lambda: True)


def test_settings_without_sense_are_refused() -> None:
    rig, kept = snapshot(5.0)
    with pytest.raises(BindingError, match="threshold"):
        trial.run(kept, rig.bindings[0], {"threshold": -1.0}, never)


def test_nothing_kept_gives_nothing() -> None:
    rig = Rig()
    ran = trial.run(trial.Snapshot(rig.info, (), 0.0), rig.bindings[0], {}, never)
    assert ran.events == ()
    assert trial.thin(ran, rig.info.rate, 0.0)[2].shape == (3, 2, 0)
