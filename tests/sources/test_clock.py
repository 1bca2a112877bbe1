"""The sample clock against simulated devices whose true times are known."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.sources.backoff import LONGEST_DELAY_S, delay_s
from bridge.sources.clock import SampleClock, measured_rate, usual_rate


def arrivals(
    rate: float, ppm: float, seconds: float, seed: int, *, stalls: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Last index, arrival and true time of blocks; transport adds up to 16 ms, now and then a burst."""
    random = np.random.default_rng(seed)
    index = np.arange(7, int(rate * seconds), 8)
    true = 100.0 + index / (rate * (1 + ppm * 1e-6))
    late = random.uniform(0.0, 0.016, index.size) + random.exponential(0.002, index.size)
    arrival = true + late
    if stalls:
        for start in np.arange(10.0, seconds, 17.0):
            held = (true > 100 + start) & (true < 100 + start + 0.8)
            arrival[held] = np.maximum(arrival[held], 100 + start + 0.8)
    return index, np.maximum.accumulate(arrival), true


@pytest.mark.parametrize("ppm", [-200.0, 0.0, 200.0])
@pytest.mark.parametrize("stalls", [False, True])
def test_times_stay_within_5_ms_of_the_truth(ppm: float, stalls: bool) -> None:
    clock = SampleClock(250.0)
    index, arrival, true = arrivals(250.0, ppm, 300, seed=1, stalls=stalls)
    worst = 0.0
    for i, host, at in zip(index, arrival, true, strict=True):
        clock.update(int(i), float(host))
        if i > 250 * 10:
            worst = max(worst, abs(clock.host_time(int(i)) - float(at)))
    # The bound this program sets itself for ±200 ppm of drift and bursts.
    assert worst < 0.005
    assert clock.report().drift_ppm == pytest.approx(ppm, abs=60)


def test_index_and_time_are_each_others_inverse() -> None:
    clock = SampleClock(100.0)
    clock.update(0, 5.0)
    assert clock.index_at(clock.host_time(123.25)) == pytest.approx(123.25)


def test_an_unstarted_clock_says_so() -> None:
    clock = SampleClock(100.0)
    assert not clock.started
    with pytest.raises(RuntimeError, match="no sample"):
        clock.host_time(0)


@pytest.mark.parametrize("rate", [83.34, 125.0, 200.0, 250.0, 500.0, 1000.0])
def test_a_rate_is_measured_from_bursts(rate: float) -> None:
    index, arrival, _ = arrivals(rate, 50.0, 3.0, seed=3)
    measured = measured_rate([int(i) for i in index], [float(t) for t in arrival])
    assert measured is not None
    assert measured == pytest.approx(rate, rel=0.01)


def test_a_rate_cannot_be_measured_from_nothing() -> None:
    assert measured_rate([], []) is None
    assert measured_rate([1, 2], [0.0, 0.1]) is None
    assert measured_rate([5, 5, 5, 5], [0.0, 1.0, 2.0, 3.0]) is None


def test_usual_rates_are_recognised_and_odd_ones_kept() -> None:
    assert usual_rate(249.1) == 250
    assert usual_rate(83.34) == 83.3
    assert usual_rate(1333.3) == 1333


def test_back_off_doubles_to_its_cap() -> None:
    delays = [delay_s(attempt) for attempt in range(12)]
    assert delays[:5] == [0.0, 0.1, 0.2, 0.4, 0.8]
    assert max(delays) == LONGEST_DELAY_S
    assert delays == sorted(delays)
    assert delay_s(10**9) == LONGEST_DELAY_S
