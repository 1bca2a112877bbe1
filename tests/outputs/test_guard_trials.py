"""A few trials of each kind; tests/bench/guard_trials.py runs the full count."""

from __future__ import annotations

from collections.abc import Iterator

import components
import pytest
import trials

COUNT = 10


@pytest.fixture(scope="module")
def stage() -> Iterator[trials.Stage]:
    with components.x_server() as server, components.key_recorder(server) as recorder:
        yield trials.Stage(server, recorder)


@pytest.mark.parametrize("name", trials.TRIALS)
def test_the_key_comes_up(name: str, stage: trials.Stage) -> None:
    trial, limit_s = trials.TRIALS[name]
    took_s = [trial(stage) for _ in range(COUNT)]
    print(f"{name}: at most {max(took_s) * 1e3:.0f} ms")
    # Machines that build and test are busy: the trials' own limit is held against the best half.
    assert sorted(took_s)[COUNT // 2] <= limit_s, took_s
    assert max(took_s) <= limit_s + 1.0, took_s


def test_no_key_is_down_after_the_screen_has_gone() -> None:
    for _ in range(COUNT // 2):
        trials.screen_gone()
