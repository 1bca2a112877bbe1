"""What is no muscle teaches the contraction detector nothing, and nothing it began stays on in silence.

The signals are synthetic: noise of a resting and of a working muscle, with the input dead for a while.
"""

from __future__ import annotations

import numpy as np
import pytest

from bridge.detectors.contraction import create
from bridge.pipeline import DetectionChain, Wanted, bind
from bridge.signals.types import Block, Channel, ChannelKind, Event, Samples, StreamInfo

RATE_HZ = 200.0


def muscle(seconds: float, bursts: list[tuple[float, float]], ratio: float = 8.0) -> Samples:
    """Raw EMG in counts, rest of 4 counts RMS and bursts (start and end in s) so many times stronger."""
    rng = np.random.default_rng(4)
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    gain = np.ones_like(times)
    for start, end in bursts:
        gain[(times >= start) & (times < end)] = ratio
    return np.round(rng.normal(0, 4, len(times)) * gain)


def envelope(seconds: float, bursts: list[tuple[float, float]]) -> Samples:
    """A module's output in counts: 60 at rest, up to 300, with the time constant of 0.1 s that is usual."""
    rng = np.random.default_rng(5)
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wanted = np.full_like(times, 60.0)
    for start, end in bursts:
        wanted[(times >= start) & (times < end)] = 300.0
    keep = np.exp(-1 / (0.1 * RATE_HZ))
    level = 60.0
    smooth = []
    for value in wanted + rng.normal(0, 6, len(times)):
        level = keep * level + (1 - keep) * value
        smooth.append(level)
    return np.round(np.array(smooth))


def events_of(samples: Samples, kind: ChannelKind = "emg") -> list[Event]:
    detector = create("contraction", [Channel("arm", kind, "count")], RATE_HZ, {})
    found = detector.process(Block(samples[:, np.newaxis], 0)) + detector.flush()
    return [item for item in found if isinstance(item, Event)]


def chain_events_of(samples: Samples) -> list[Event]:
    """As the daemon runs it: muted while the signal check calls the channel bad."""
    info = StreamInfo((Channel("arm", "emg", "count"),), RATE_HZ)
    chain = DetectionChain(info, bind(info, [Wanted("contraction")]))
    found = chain.process(Block(samples[:, np.newaxis], 0)) + chain.flush()
    return [item for item in found if isinstance(item, Event) and item.kind == "contraction"]


def on_s(events: list[Event], after_s: float, until_s: float) -> float:
    """How long a contraction was on between two times."""
    total, began = 0.0, None
    for event in events:
        if event.edge == "start":
            began = event.onset
        elif began is not None:
            total += max(0.0, min(event.onset, until_s) - max(began, after_s))
            began = None
    return total


@pytest.mark.parametrize("dead_s", [0.1, 0.3, 1.0, 5.0])
@pytest.mark.parametrize("value", ["hold", 0.0, 127.0])
def test_a_dead_wire_teaches_nothing(dead_s: float, value: str | float) -> None:
    """After it the muscle is at rest as before, and is not on for a quarter of a minute."""
    samples = muscle(40, [(5, 8), (30, 33)])
    first, last = round(14 * RATE_HZ), round((14 + dead_s) * RATE_HZ)
    samples[first:last] = samples[first] if value == "hold" else float(value)
    for events in (events_of(samples), chain_events_of(samples)):
        assert on_s(events, 14, 29.5) < 0.5
        assert sum(event.edge == "start" and 29.7 < event.onset < 30.3 for event in events) == 1


@pytest.mark.parametrize("dip_s", [0.1, 0.5, 1.0])
def test_one_dip_of_an_envelope_is_not_its_floor(dip_s: float) -> None:
    samples = envelope(60, [(5, 8), (12, 15), (45, 48)])
    first, last = round(20 * RATE_HZ), round((20 + dip_s) * RATE_HZ)
    samples[first:last] = 0
    events = events_of(samples, "emg-envelope")
    assert on_s(events, 20, 44.5) < 0.5
    assert sum(event.edge == "start" and 44.7 < event.onset < 45.4 for event in events) == 1


def test_what_nobody_can_hold_ends_and_says_why() -> None:
    events = events_of(muscle(70.5, [(10, 70.5)]))
    ends = [event for event in events if event.edge == "end"]
    assert len(ends) == 1
    assert ends[0].decided - events[0].onset <= 61
    assert "60 s" in ends[0].note
    assert events_of(muscle(20, [(10, 13)]))[1].note == ""
