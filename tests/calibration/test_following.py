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
from bridge.signals.types import Block, Channel, Detection, Event, Samples, StreamInfo

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


GAZE = Channel("horizontal", "eog-horizontal", "uV")
GAZE_RATE_HZ = 100.0
GLANCES = Bounds(("gaze-left", "gaze-right"), "amplitude", 300.0, 150.0, 480.0)


def glances(per_minute: float, minutes: float) -> tuple[Samples, int]:
    """Steps of 300 µV right and back every 2 s that shrink by a share a minute; the samples and how many."""
    times = np.arange(round(60 * minutes * GAZE_RATE_HZ)) / GAZE_RATE_HZ
    noise = np.random.default_rng(3).normal(scale=4.0, size=len(times))
    size = 300.0 * (1 - per_minute) ** (times / 60)
    # A saccade takes about 50 ms.
    right = np.interp((times - 2.0) % 4.0, [0, 0.05, 2.0, 2.05, 4.0], [0, 1, 1, 0, 0])
    return (size * np.where(times < 2.0, 0.0, right) + noise)[:, None], round(60 * minutes / 2) - 1


def test_glances_that_shrink_are_still_found() -> None:
    samples, acts = glances(0.04, 16)
    settings = {"horizontal_threshold": 200.0}

    def shifts(bounds: Bounds | None) -> list[str]:
        detector = DETECTORS["gaze"].create("gaze", [GAZE], GAZE_RATE_HZ, settings)
        used = detector if bounds is None else Following(detector, bounds, GAZE_RATE_HZ)
        found = [item for block in blocks(samples, 400) for item in used.process(block)]
        return [item.kind for item in found if isinstance(item, Event) and item.kind in GLANCES.kinds]

    # At 4 % a minute glances pass under 200 µV after 10 minutes.
    assert len(shifts(None)) <= 0.8 * acts
    assert len(shifts(GLANCES)) >= 0.97 * acts


@pytest.mark.parametrize("last_share", [0.5, 2.0])
def test_contractions_whose_size_drifts_are_found_by_a_fixed_profile(last_share: float) -> None:
    """The resting level is tracked by the detector itself."""
    rate_hz, minutes = 500.0, 5
    random = np.random.default_rng(4)
    times = np.arange(round(60 * minutes * rate_hz)) / rate_hz
    acting = (times % 6.0 >= 3.0) & (times % 6.0 < 4.5)
    drift = last_share ** (times / times[-1])
    samples = (random.normal(size=len(times)) * drift * np.where(acting, 12.0, 1.0))[:, None]
    fixed = {"strictness": 1.0, "mvc": 20.0}
    bounds = Bounds(("contraction",), "amplitude", 12.0, 12.0 / 2.5, 12.0 * 2.5)
    inner = DETECTORS["contraction"].create("contraction", [Channel("arm", "emg", "uV")], rate_hz, fixed)
    detector = Following(inner, bounds, rate_hz)
    found = [item for block in blocks(samples, 4000) for item in detector.process(block)]
    starts = [item.onset for item in found if isinstance(item, Event) and item.edge == "start"]
    acts = np.arange(3.0, 60 * minutes, 6.0)
    assert len(starts) == len(acts)
    assert np.abs(np.asarray(starts) - acts).max() < 0.15
