"""Rate limits, back-off and the outbox: pure, with time handed in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.outputs.backoff import FIRST_DELAY_S, LONGEST_DELAY_S, delay_s
from bridge.outputs.limits import RateLimit
from bridge.outputs.outbox import Message, Outbox


@given(st.lists(st.floats(0, 0.3), max_size=200), st.floats(1, 50))
def test_no_second_sees_more_than_burst_and_rate(gaps_s: list[float], per_second: float) -> None:
    limit = RateLimit(per_second)
    now_s = 0.0
    admitted = []
    for gap_s in gaps_s:
        now_s += gap_s
        if limit.admit(now_s):
            admitted.append(now_s)
    for start_s in admitted:
        within = sum(start_s <= at_s < start_s + 1 for at_s in admitted)
        assert within <= limit.burst + per_second + 1


def test_a_steady_stream_under_the_limit_passes_whole() -> None:
    limit = RateLimit(20)
    assert all(limit.admit(index / 20) for index in range(1000))


def test_a_long_text_passes_once_and_leaves_a_debt() -> None:
    limit = RateLimit(10)
    assert limit.admit(0.0, cost=50)
    assert not limit.admit(4.0)
    assert limit.admit(4.2)  # 50 characters at 10 a second are paid back after 4.1 s


def test_a_clock_that_goes_back_gives_nothing() -> None:
    limit = RateLimit(1)
    assert limit.admit(100.0)
    assert not limit.admit(0.0)
    assert not limit.admit(100.5)
    assert limit.admit(101.0)


@pytest.mark.parametrize("rate", [0, -1, float("nan")])
def test_a_limit_of_nothing_is_a_mistake(rate: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        RateLimit(rate)


def test_the_wait_doubles_to_a_cap_with_chance_in_it() -> None:
    whole = [delay_s(attempt, chance=0.0) for attempt in range(12)]
    assert whole[:5] == [0.0, FIRST_DELAY_S, 2 * FIRST_DELAY_S, 4 * FIRST_DELAY_S, 8 * FIRST_DELAY_S]
    assert max(whole) == LONGEST_DELAY_S
    assert delay_s(3, chance=1.0) == whole[3] / 2
    assert len({delay_s(5) for _ in range(20)}) > 1
    assert delay_s(10**6) <= LONGEST_DELAY_S


def message(number: int, at_s: float, size: int = 1) -> Message:
    return Message(f"t/{number}", b"x" * size, 0, False, at_s)


def test_the_stale_are_dropped_and_counted_not_replayed() -> None:
    box = Outbox(longest_age_s=5)
    for number in range(10):
        box.push(message(number, float(number)), float(number))
    taken = box.pop(12.0)
    assert taken is not None
    assert taken.topic == "t/7"
    assert box.dropped == 7
    assert len(box) == 2
    assert box.pop(100.0) is None
    assert box.dropped == 9


@given(st.lists(st.integers(0, 50), max_size=100))
def test_the_box_never_holds_more_than_it_may(sizes: list[int]) -> None:
    box = Outbox(longest_age_s=5, most=20, most_bytes=300)
    for number, size in enumerate(sizes):
        box.push(message(number, 0.0, size), 0.0)
        assert len(box) <= 20
        assert box._bytes <= 300
    left = []
    while (one := box.pop(0.0)) is not None:
        left.append(one.topic)
    assert left == [f"t/{number}" for number in range(len(sizes))][len(sizes) - len(left) :]
    assert len(left) + box.dropped == len(sizes)
    assert box._bytes == 0
