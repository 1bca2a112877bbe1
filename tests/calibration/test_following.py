"""A detector that follows drift: the detector's own contract still holds, and it does follow."""

from __future__ import annotations

import numpy as np
import pytest
from model_person import CHANNEL, INFO, RATE_HZ, Blinker, blocks

from bridge.calibration.drift import Bounds
from bridge.calibration.evidence import Counts, Evidence, Prediction
from bridge.calibration.following import Following
from bridge.calibration.profile import DetectorProfile, MadeOn, Profile
from bridge.detectors import DETECTORS
from bridge.pipeline import BindingError, DetectionChain, Wanted, bind
from bridge.signals.types import Block, Detection, Event, Samples, StreamInfo

BOUNDS = Bounds(("blink",), "amplitude", 400.0, 200.0, 640.0)
SETTINGS = {"polarity": "positive", "threshold": 250.0}


def fading(per_minute: float, minutes: float, *, seed: int = 0) -> tuple[Samples, int]:
    """Blinks of 400 µV every 3 s that shrink by a share a minute; the samples and how many there are."""
    person = Blinker(seed=seed)
    times = np.arange(4.0, 60 * minutes - 2, 3.0)
    person.blinks = [(t, 400.0 * (1 - per_minute) ** (t / 60), True) for t in times]
    return person.signal(0, int(60 * minutes * RATE_HZ)), len(times)


def told(settings: dict[str, object], bounds: Bounds | None, samples: Samples, size: int) -> list[Detection]:
    detector = DETECTORS["blink"].create("blink", [CHANNEL], RATE_HZ, settings)
    used = detector if bounds is None else Following(detector, bounds, RATE_HZ)
    found = [item for block in blocks(samples, size) for item in used.process(block)]
    return [*found, *used.flush()]


def test_it_keeps_finding_acts_that_a_fixed_threshold_loses() -> None:
    samples, acts = fading(0.04, 15)
    fixed = sum(
        isinstance(item, Event) and item.kind == "blink" for item in told(SETTINGS, None, samples, 400)
    )
    kept = [item for item in told(SETTINGS, BOUNDS, samples, 400) if isinstance(item, Event)]
    assert sum(item.kind == "blink" for item in kept) >= 0.97 * acts
    # At 4 % a minute acts pass under 250 µV after 11.5 minutes.
    assert fixed <= 0.85 * acts
    assert not any(item.kind == "fit-lost" for item in kept)


@pytest.mark.parametrize("size", [1, 7, 32, 100_000])
def test_blocks_make_no_difference(size: int) -> None:
    samples, _ = fading(0.04, 3)
    assert told(SETTINGS, BOUNDS, samples, size) == told(SETTINGS, BOUNDS, samples, 400)


def test_reset_is_as_new_and_the_trace_covers_the_block() -> None:
    samples, _ = fading(0.05, 2)
    detector = Following(DETECTORS["blink"].create("blink", [CHANNEL], RATE_HZ, SETTINGS), BOUNDS, RATE_HZ)
    first = detector.process(Block(samples, 0))
    assert detector.trace is not None
    assert len(detector.trace.conditioned) == len(samples)
    assert detector.factor < 1
    detector.reset()
    assert detector.factor == 1
    assert detector.process(Block(samples, 0)) == first


def test_a_step_is_told_as_an_event_with_advice() -> None:
    samples, _ = fading(0.0, 2)
    half = len(samples) // 2
    samples[half:] *= 1.9
    events = [item for item in told(SETTINGS, BOUNDS, samples, 400) if isinstance(item, Event)]
    lost = [item for item in events if item.kind == "fit-lost"]
    assert len(lost) == 1
    assert lost[0].decided > half / RATE_HZ
    assert "calibrate again" in lost[0].note
    assert all(item.onset <= item.decided for item in events)


def profile_of(rate_hz: float = RATE_HZ) -> Profile:
    evidence = Evidence(Counts({}, 0, 0, 0.0), None, None, Prediction(0, 0, 0, 0.0))
    version = DETECTORS["blink"].version
    made = MadeOn((CHANNEL,), rate_hz, version, "", "2025-03-01T10:00:00")
    return Profile("Aki", "board", {"blink": DetectorProfile(SETTINGS, made, evidence, BOUNDS)})


def test_the_chain_runs_what_the_profile_says() -> None:
    binding = bind(INFO, [Wanted("blink")])[0].fitted(INFO, profile_of())
    chain = DetectionChain(INFO, [binding])
    assert isinstance(chain.detectors[0], Following)
    assert chain.detectors[0].settings.threshold == 250.0
    own = bind(INFO, [Wanted("blink", settings={"threshold": 90.0})])[0].fitted(INFO, profile_of())
    assert own.settings["threshold"] == 90.0
    assert own.settings["polarity"] == "positive"


def test_a_profile_of_another_rate_stops_the_chain() -> None:
    with pytest.raises(BindingError, match="made at 250 Hz"):
        bind(INFO, [Wanted("blink")])[0].fitted(INFO, profile_of(250.0))
    other = StreamInfo((CHANNEL,), 250.0)
    with pytest.raises(BindingError, match="calibrate again"):
        bind(other, [Wanted("blink")])[0].fitted(other, profile_of())
