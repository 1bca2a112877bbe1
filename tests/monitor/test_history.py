"""The ring of the last minutes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.detectors.protocol import Trace
from bridge.monitor.history import History
from bridge.signals.types import Block, Channel, Samples, StreamInfo


def info(rate_hz: float, channels: int = 1) -> StreamInfo:
    return StreamInfo(tuple(Channel(f"c{i}", "eeg", "uV") for i in range(channels)), rate_hz)


class Viewer:
    """Stands for a detector: its trace is the block's first column, thresholds above and below."""

    def __init__(self) -> None:
        self.trace: Trace | None = None

    def see(self, block: Block) -> None:
        x = block.samples[:, 0]
        self.trace = Trace(block.first, x, x + 1, x - 1)


def columns(history: History) -> Samples:
    history.settle()
    return np.asarray(history.columns(history.first, history.end), dtype=np.float64)


def test_slow_streams_are_kept_sample_by_sample() -> None:
    history = History(info(250, 2), 0)
    x = np.arange(100.0).reshape(50, 2)
    history.add(Block(x, 0))
    kept = columns(history)
    assert kept.shape == (2, 1, 50)
    assert np.array_equal(kept[:, 0, :], x.T)


def test_a_spike_of_one_sample_stays_visible_in_a_fast_stream() -> None:
    history = History(info(4000), 0)
    x = np.zeros((4000, 1))
    x[1234] = 99.0
    x[3001] = -55.0
    history.add(Block(x, 0))
    kept = columns(history)
    assert kept.shape[1] == 2
    assert kept.shape[2] <= 500
    assert kept[0, 1].max() == 99.0
    assert kept[0, 0].min() == -55.0


@given(cuts=st.lists(st.integers(1, 60), min_size=1, max_size=40), rate_hz=st.sampled_from([100.0, 1300.0]))
def test_how_blocks_are_cut_makes_no_difference(cuts: list[int], rate_hz: float) -> None:
    total = sum(cuts)
    x = np.sin(np.arange(float(total)))[:, np.newaxis]
    whole, parts = History(info(rate_hz), 1), History(info(rate_hz), 1)
    viewer = Viewer()
    viewer.see(Block(x, 0))
    whole.add(Block(x, 0), [viewer])  # type: ignore[list-item]
    at = 0
    for cut in cuts:
        block = Block(x[at : at + cut], at)
        viewer.see(block)
        parts.add(block, [viewer])  # type: ignore[list-item]
        if cut % 3 == 0:
            parts.settle()
        at += cut
    assert np.array_equal(columns(whole), columns(parts), equal_nan=True)


def test_lost_samples_leave_a_gap_and_are_counted() -> None:
    history = History(info(100), 0)
    history.add(Block(np.ones((10, 1)), 0))
    history.add(Block(np.ones((10, 1)), 30))
    kept = columns(history)
    assert kept.shape[2] == 40
    assert np.isnan(kept[0, 0, 10:30]).all()
    assert history.lost == 20
    assert [(block.first, len(block)) for block in history.blocks()] == [(0, 10), (30, 10)]


@pytest.mark.parametrize("gap", [5_000, 10_000_000_000])
def test_a_long_gap_costs_no_memory_and_keeps_the_time(gap: int) -> None:
    history = History(info(100), 0, keep_s=10)
    history.add(Block(np.ones((10, 1)), 0))
    history.settle()
    history.add(Block(np.full((10, 1), 2.0), gap))
    history.settle()
    assert history.end == gap + 10
    assert np.array_equal(history.columns(gap, gap + 10)[0, 0], np.full(10, 2.0))


def test_memory_stays_bounded_and_the_newest_is_kept() -> None:
    history = History(info(100), 1, keep_s=5)
    viewer = Viewer()
    for first in range(0, 10_000, 7):
        block = Block(np.arange(first, first + 7.0)[:, np.newaxis], first)
        viewer.see(block)
        history.add(block, [viewer])  # type: ignore[list-item]
    history.settle()
    assert history.end - history.first == 500
    assert sum(len(block) for block in history.blocks()) <= 500 + 250
    newest = history.columns(history.end - 1, history.end)[:, 0, 0]
    last = history.end - 1
    assert newest.tolist() == [last, last, last + 1, last - 1]


def test_a_trace_of_an_earlier_block_is_not_drawn_again() -> None:
    history = History(info(100), 1)
    viewer = Viewer()
    block = Block(np.ones((5, 1)), 0)
    viewer.see(block)
    history.add(block, [viewer])  # type: ignore[list-item]
    history.add(Block(np.ones((5, 1)), 5), [viewer])  # type: ignore[list-item]
    kept = columns(history)
    assert np.isfinite(kept[1, 0, :5]).all()
    assert np.isnan(kept[1, 0, 5:]).all()


def test_a_source_that_counts_anew_starts_a_new_epoch() -> None:
    history = History(info(100), 0)
    history.add(Block(np.ones((50, 1)), 1000))
    history.settle()
    history.add(Block(np.full((20, 1), 3.0), 0))
    history.settle()
    assert history.epoch == 1
    assert (history.first, history.end) == (0, 20)
    assert np.array_equal(history.columns(0, 20)[0, 0], np.full(20, 3.0))


def test_columns_that_are_not_kept_are_refused() -> None:
    history = History(info(100), 0, keep_s=1)
    history.add(Block(np.ones((300, 1)), 0))
    history.settle()
    with pytest.raises(ValueError, match="not kept"):
        history.columns(0, 10)
    with pytest.raises(ValueError, match="not kept"):
        history.columns(250, 301)


def test_the_rate_is_measured_by_the_hosts_clock() -> None:
    history = History(info(250), 0)
    for k in range(600):
        history.add(Block(np.zeros((5, 1)), 5 * k, received=100 + k * 5 / 249.0))
    assert history.measured_hz == pytest.approx(249.0, rel=1e-3)


def test_an_infinite_threshold_is_no_value() -> None:
    history = History(info(100), 1)
    viewer = Viewer()
    viewer.trace = Trace(0, np.ones(5), np.full(5, np.inf), np.full(5, -np.inf))
    history.add(Block(np.ones((5, 1)), 0), [viewer])  # type: ignore[list-item]
    kept = columns(history)
    assert np.isfinite(kept[1]).all()
    assert np.isnan(kept[2:]).all()
