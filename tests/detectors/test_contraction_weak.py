"""Weak efforts are told from rest, and mains with its harmonic is no rest of its own (synthetic signals)."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.detectors.contraction import create
from bridge.signals.types import Block, Channel, Event, Samples

RATE_HZ = 200.0
ACTS_S = np.arange(6.0, 56.0, 6.0)
HELD_S = 3.0


def muscles(ratio: float, electrodes: int, seed: int) -> Samples:
    """Raw EMG of electrodes in counts: 6 RMS at rest, so many times that for 3 s out of 6."""
    times = np.arange(round(60 * RATE_HZ)) / RATE_HZ
    acting = ((times[:, np.newaxis] >= ACTS_S) & (times[:, np.newaxis] < ACTS_S + HELD_S)).any(axis=1)
    noise = np.random.default_rng(seed).normal(0, 6, (len(times), electrodes))
    return np.round(noise * np.where(acting, ratio, 1.0)[:, np.newaxis])


def starts(samples: Samples) -> list[float]:
    channels = [Channel(f"arm{index}", "emg", "count") for index in range(samples.shape[1])]
    detector = create("contraction", channels, RATE_HZ, {})
    found = detector.process(Block(samples, 0)) + detector.flush()
    return [item.onset for item in found if isinstance(item, Event) and item.edge == "start"]


def found_and_false(onsets: list[float]) -> tuple[int, int]:
    hits = [any(-0.3 <= onset - act <= 1.5 for onset in onsets) for act in ACTS_S]
    return sum(hits), len(onsets) - sum(hits)


@pytest.mark.parametrize("ratio", [1.6, 2.0])
def test_eight_electrodes_see_an_effort_of_less_than_twice_rest(ratio: float) -> None:
    hits, false = found_and_false(starts(muscles(ratio, 8, 1)))
    assert hits == len(ACTS_S)
    assert false == 0


def test_one_electrode_sees_an_effort_of_twice_rest() -> None:
    hits, false = found_and_false(starts(muscles(2.0, 1, 2)))
    assert hits == len(ACTS_S)
    assert false == 0


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_mains_with_a_harmonic_hides_no_effort(mains_hz: float) -> None:
    """Ten times the muscle at rest, a fifth of it at twice the frequency; the clocks are 0.1 % apart."""
    samples = muscles(5.0, 1, 3)
    phase = 2 * np.pi * mains_hz * 1.001 * np.arange(len(samples)) / RATE_HZ
    hum = 60 * np.sqrt(2) * (np.sin(phase) + 0.2 * np.sin(2 * phase + 0.7))
    hits, false = found_and_false(starts(np.round(samples + hum[:, np.newaxis])))
    assert hits == len(ACTS_S)
    assert false == 0
