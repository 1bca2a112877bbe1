"""A detector that says more than a body can is shut out, and heard again when it has calmed down."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bridge.detectors import DETECTORS
from bridge.detectors.surplus import WINDOW_S, SurplusGate
from bridge.pipeline import DetectionChain, Pipeline, Wanted, bind
from bridge.recordings import ChannelChoice, read
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.signals.types import Block, Channel, Detection, Event, Level, StreamInfo


def events(times: list[float]) -> list[Detection]:
    return [Event("blink", "instant", at_s, at_s, "lead") for at_s in times]


def test_as_many_as_a_body_makes_pass() -> None:
    gate = SurplusGate(10)
    usual = events([float(second) for second in range(100)])
    assert gate.take(usual, 100.0) == (usual, [])


def test_too_many_are_shut_out_until_half_of_the_limit_is_left() -> None:
    gate = SurplusGate(10)
    storm = events([100 + 0.1 * number for number in range(50)])
    passed, turns = gate.take(storm, 105.0)
    assert passed == storm[:10]
    assert turns == [(storm[10].decided, True)]  # type: ignore[union-attr]
    assert gate.shut
    # Five are left in the window ten seconds after the sixth last.
    passed, turns = gate.take([], 200.0)
    assert turns == [(100 + 0.1 * 44 + WINDOW_S, False)]
    assert gate.take(events([300.0]), 300.0)[0] == events([300.0])


def test_ends_and_levels_do_not_count_but_are_shut_out_too() -> None:
    gate = SurplusGate(3)
    quiet: list[Detection] = [Event("contraction", "end", 0.1 * n, 0.1 * n, "arm") for n in range(30)]
    assert gate.take(quiet, 5.0)[0] == quiet
    gate.take(events([6.0, 6.1, 6.2, 6.3]), 6.3)
    assert gate.take([Level("contraction-level", 6.4, 0.5)], 6.4)[0] == []


@given(st.lists(st.floats(0, 60), max_size=80).map(sorted), st.integers(1, 12))
def test_how_it_is_cut_makes_no_difference(times: list[float], most: int) -> None:
    whole = SurplusGate(most).take(events(times), 100.0)
    gate, passed, turns = SurplusGate(most), [], []
    for item in events(times):
        assert isinstance(item, Event)
        some, more = gate.take([], item.decided - 1e-9)
        passed += some
        turns += more
        some, more = gate.take([item], item.decided)
        passed += some
        turns += more
    some, more = gate.take([], 100.0)
    assert (passed + some, turns + more) == whole


def test_real_people_stay_below_the_limits(data_dir: Path) -> None:
    """On every recording of the detector's own signal the gate stays open."""
    for file, channel, kind, name in (
        ("eog/blinks-200hz.csv", "vertical", None, "blink"),
        ("eog/gaze-83hz.csv", "horizontal", None, "gaze"),
        ("ecg/100.hea", "MLII", None, "heartbeat"),
        ("emg/cued-21547-2-1.csv", "ring*", "emg", "contraction"),
    ):
        recording = read(data_dir / file, channels=[ChannelChoice(channel, kind)])  # type: ignore[arg-type]
        chain = DetectionChain(recording.info, bind(recording.info, [Wanted(name)]))
        for block in recording.blocks(4096):
            assert not any(
                getattr(item, "detector", "") and item.kind == "signal-lost" for item in chain.process(block)
            )


def test_a_storm_lets_go_of_what_is_held_and_sends_nothing_more() -> None:
    """A lead that jumps about: bursts of EMG-like noise seven times a second cannot be a muscle's."""
    rate = 500.0
    rng = np.random.default_rng(4)
    times = np.arange(round(60 * rate)) / rate
    storming = (times > 8) & (times < 30) & (times % 0.8 < 0.45)
    arm = rng.normal(0, np.where(storming, 300.0, 3.0))
    info = StreamInfo((Channel("arm", "emg"),), rate)
    rules = load(
        "version: 1\noutputs: {keys: {type: keystrokes}}\n"
        "rules:\n  - {name: A, when: {event: contraction}, then: {hold: Space}}\n"
    ).rules
    limit = DETECTORS["contraction"].most_in_10_s
    chain = DetectionChain(info, bind(info, [Wanted("contraction", settings={"release_ms": 50.0})]))
    pipeline = Pipeline({"": chain}, Engine(rules))
    chain._gates = (SurplusGate(5),)  # a lower limit, so that a plausible storm reaches it
    assert limit > 5
    found, actions = [], []
    for first in range(0, len(arm), 250):
        outcome = pipeline.process(Block(arm[first : first + 250, None], first))
        found += [item for item in outcome.detections if isinstance(item, Event)]
        actions += outcome.actions
    lost = [event for event in found if event.kind == "signal-lost"]
    back = [event for event in found if event.kind == "signal-back"]
    assert len(lost) == len(back) == 1
    assert "more contraction events than a body makes" in lost[0].note
    assert 8 < lost[0].decided < 16
    assert 30 < back[0].decided < 45
    downs = [action for action in actions if "down" in action.act.to_json()]
    ups = [action for action in actions if "up" in action.act.to_json()]
    assert len(downs) == len(ups) == 5
    assert all(action.time <= lost[0].decided for action in downs + ups)
