"""How old samples are when they come: a stall is told from jitter, drift and a wrong rate."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.service.freshness import FRESH_AGAIN_S, Freshness

RATE = 250.0


def feed(fresh: Freshness, arrivals: list[tuple[int, float]]) -> list[tuple[bool, int]]:
    """(index after the block, host time) of each block; whether it was stale, and what was lost before it."""
    told = []
    for end, host_s in arrivals:
        lost = fresh.arrived(end, host_s)
        told.append((fresh.stale, lost))
    return told


def live(start: int, from_s: float, seconds: float, step: int = 5) -> list[tuple[int, float]]:
    """Blocks of ``step`` samples as they are made, from index ``start`` at ``from_s``."""
    return [(start + k, from_s + k / RATE) for k in range(step, round(seconds * RATE) + 1, step)]


@pytest.mark.parametrize("stall_s", [1.5, 25.0, 40.0, 3600.0])
def test_a_backlog_is_stale_until_it_is_caught_up(stall_s: float) -> None:
    """Nothing was lost, as over TCP: all of it comes at once."""
    fresh = Freshness(RATE)
    before = live(0, 100.0, 10)
    last, then_s = before[-1]
    backlog = [(last + k, then_s + stall_s + k * 1e-7) for k in range(5, round(stall_s * RATE) + 1, 5)]
    after = live(backlog[-1][0], backlog[-1][1], 10)
    told = feed(fresh, before + backlog + after)
    assert not any(stale for stale, _ in told[: len(before)])
    ages = [host_s - (then_s + (end - last) / RATE) for end, host_s in backlog]
    for (stale, _), age_s in zip(told[len(before) : len(before) + len(backlog)], ages, strict=True):
        assert stale == (age_s > FRESH_AGAIN_S) or abs(age_s - FRESH_AGAIN_S) < 0.1
    assert not any(stale for stale, _ in told[len(before) + len(backlog) :])
    assert not any(lost for _, lost in told)


@pytest.mark.parametrize("kept_s", [0.1, 1.0, 5.0])
def test_what_a_full_buffer_lost_is_counted_once_the_pace_is_real_again(kept_s: float) -> None:
    """As on a serial port: the oldest samples wait, what came when the buffer was full is gone."""
    fresh = Freshness(RATE)
    before = live(0, 100.0, 10)
    last, then_s = before[-1]
    stall_s = 30.0
    backlog = [(last + k, then_s + stall_s) for k in range(5, round(kept_s * RATE) + 1, 5)]
    after = live(backlog[-1][0], then_s + stall_s, 5)
    told = feed(fresh, before + backlog + after)
    stale = [stale for stale, _ in told[len(before) :]]
    again = stale.index(False)
    assert not any(stale[again:])
    after_s = after[again - len(backlog)][1] - (then_s + stall_s)
    assert 0.25 <= after_s <= 0.75, "control is back within a second"
    (lost,) = [lost for _, lost in told if lost]
    assert lost == pytest.approx((stall_s - kept_s) * RATE, abs=2)


def test_numbered_samples_need_no_guess() -> None:
    """Where the index itself jumps, what comes after the backlog is fresh at once."""
    fresh = Freshness(RATE)
    before = live(0, 100.0, 10)
    last, then_s = before[-1]
    told = feed(fresh, [*before, (last + 200, then_s + 30.0), (last + 7500, then_s + 30.0)])
    assert [stale for stale, _ in told[-2:]] == [True, False]
    assert told[-1][1] == 0


@given(st.lists(st.floats(0.0, 0.4), min_size=50, max_size=300), st.floats(0.8, 1.2))
def test_jitter_and_a_wrong_rate_make_nothing_stale(delays: list[float], speed: float) -> None:
    """Each block is held up by less than half a second, and the rate is off by up to a fifth."""
    fresh = Freshness(RATE)
    now_s, arrivals = 0.0, []
    for n, delay_s in enumerate(delays):
        now_s = max(now_s, n * 25 / (RATE * speed) + delay_s)
        arrivals.append((25 * (n + 1), now_s))
    assert feed(fresh, arrivals) == [(False, 0)] * len(delays)


@given(
    st.lists(
        st.tuples(st.integers(0, 5000), st.floats(0.0, 100.0, allow_nan=False)), min_size=1, max_size=100
    )
)
def test_no_arrivals_at_all_make_it_stuck(steps: list[tuple[int, float]]) -> None:
    """Whatever came before, two seconds of samples at their pace are fresh at their end."""
    fresh = Freshness(RATE)
    end, host_s = 0, 0.0
    for samples, wait_s in steps:
        end, host_s = end + samples, host_s + wait_s
        assert fresh.arrived(end, host_s) >= 0
        assert np.isfinite(fresh.age_s)
    told = feed(fresh, live(end, host_s, 2.0))
    assert not told[-1][0]
