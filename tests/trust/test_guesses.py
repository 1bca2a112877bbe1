"""How long a wrong token waits: pure, so that time can be told."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.trust.guesses import FIRST_DELAY_S, LONGEST_DELAY_S, Guesses


def test_each_wrong_guess_waits_longer_than_the_last() -> None:
    guesses = Guesses()
    waits = [guesses.wrong("a", 0.0) for _ in range(10)]
    assert waits[0] == FIRST_DELAY_S
    assert waits == sorted(waits)
    assert waits[-1] == LONGEST_DELAY_S


def test_many_addresses_do_not_help() -> None:
    guesses = Guesses()
    waits = [guesses.wrong(f"address {number}", 0.0) for number in range(50)]
    assert waits[0] == FIRST_DELAY_S
    assert waits[-1] == LONGEST_DELAY_S


def test_a_slip_is_forgotten() -> None:
    guesses = Guesses()
    for _ in range(10):
        guesses.wrong("a", 0.0)
    assert guesses.wrong("a", 1000.0) == FIRST_DELAY_S


@given(st.lists(st.tuples(st.text(max_size=3), st.floats(0, 1e6)), max_size=200))
def test_a_wait_is_never_longer_than_a_stranger_may_stay(tried: list[tuple[str, float]]) -> None:
    guesses = Guesses()
    for address, now_s in sorted(tried, key=lambda each: each[1]):
        assert 0 < guesses.wrong(address, now_s) <= LONGEST_DELAY_S
    assert guesses.total == len(tried)
