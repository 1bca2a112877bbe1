"""The synthetic person: invariance and its own promises; never evidence of a detector's accuracy."""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
import sys
import time

import numpy as np
import pytest
from scipy import signal

from bridge.signals.types import Block
from bridge.sources.person import RAIL_UV, STEP_UV, SyntheticPerson
from bridge.sources.protocol import SourceError
from bridge.sources.synthetic import SyntheticSource


def test_the_same_samples_however_they_are_asked_for() -> None:
    whole = SyntheticPerson(7).generate(5000)
    pieces = SyntheticPerson(7)
    sizes = [1, 7, 32, 960] * 5
    assert np.array_equal(np.concatenate([pieces.generate(n) for n in sizes]), whole)
    assert not np.array_equal(SyntheticPerson(8).generate(5000), whole)


@pytest.mark.parametrize("seed", range(20))
def test_the_first_ten_seconds_show_something_of_each_kind(seed: int) -> None:
    truth = [t for t in SyntheticPerson(seed).truth_until(10.0) if t.onset + t.duration <= 10]
    assert {t.kind for t in truth} == {"blink", "gaze-left", "gaze-right", "contraction", "heartbeat"}
    double = [t.onset for t in truth if t.kind == "blink" and t.deliberate]
    assert len(double) == 2
    assert 0.3 < double[1] - double[0] < 0.7
    assert any(t.kind == "blink" and not t.deliberate for t in truth)


def test_truth_is_where_the_signal_says() -> None:
    person = SyntheticPerson(3, rate_hz=500)
    samples = person.generate(500 * 60)
    time_s = np.arange(len(samples)) / 500
    for item in person.truth_until(58.0):
        if item.onset < 1:
            continue
        near = np.abs(time_s - item.onset) < 0.15
        if item.kind == "heartbeat":
            peak = time_s[near][np.argmax(samples[near, 3])]
            assert abs(peak - item.onset) < 0.012
        elif item.kind == "blink":
            smooth = np.convolve(samples[:, 0], np.ones(25) / 25, "same")
            assert abs(time_s[near][np.argmax(smooth[near])] - item.onset) < 0.06
        elif item.kind == "contraction":
            during = (time_s > item.onset + 0.1) & (time_s < item.onset + item.duration)
            before = (time_s > item.onset - 0.4) & (time_s < item.onset - 0.05)
            assert samples[during, 2].std() > 5 * samples[before, 2].std()
        else:
            after = samples[(time_s > item.onset + 0.1) & (time_s < item.onset + 0.3), 1].mean()
            before_uv = samples[(time_s > item.onset - 0.2) & (time_s < item.onset), 1].mean()
            assert after - before_uv == pytest.approx(item.size, rel=0.2)
            assert (after > before_uv) == (item.kind == "gaze-right")


def test_heart_rate_and_blink_rate_are_those_of_people() -> None:
    truth = SyntheticPerson(1).truth_until(300)
    beats = np.diff([t.onset for t in truth if t.kind == "heartbeat"])
    assert 60 / beats.mean() == pytest.approx(66, rel=0.03)
    assert beats.min() > 0.3
    blinks = sum(t.kind == "blink" for t in truth) / 5
    # 4.5 a minute reading to 26 talking (Bentivoglio 1997).
    assert 4.5 < blinks < 26


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_mains_hum_is_at_the_mains_frequency(mains: float) -> None:
    samples = SyntheticPerson(2, 250, mains).generate(250 * 40)
    frequency, power = signal.welch(samples[:, 0], 250, nperseg=1000)
    band = (frequency > 30) & (frequency < 70)
    assert frequency[band][np.argmax(power[band])] == pytest.approx(mains, abs=0.5)


def test_values_are_multiples_of_the_step_within_the_rails() -> None:
    samples = SyntheticPerson(2).generate(5000)
    assert np.array_equal(np.round(samples / STEP_UV) / round(1 / STEP_UV), samples)
    assert np.abs(samples).max() <= RAIL_UV


def test_the_source_keeps_pace_and_ends() -> None:
    async def scenario(fast: bool) -> tuple[list[Block], float]:
        source = SyntheticSource(1, fast=fast, seconds=0.5)
        await source.open()
        blocks: list[Block] = []
        start = time.monotonic()
        await source.run(blocks.append)
        await source.close()
        return blocks, time.monotonic() - start

    live, took = asyncio.run(scenario(False))
    assert took >= 0.49
    assert all(block.received is not None for block in live)
    fast, _ = asyncio.run(scenario(True))
    assert all(block.received is None for block in fast)
    both = [np.concatenate([block.samples for block in blocks]) for blocks in (live, fast)]
    assert both[0].shape == (125, 4)
    assert np.array_equal(*both)


def test_a_rate_that_cannot_be() -> None:
    with pytest.raises(SourceError, match="30 to 10000"):
        SyntheticSource(1, 5)


def test_a_cancelled_source_stops() -> None:
    async def scenario() -> int:
        source = SyntheticSource(1)
        await source.open()
        reader = asyncio.ensure_future(source.run(lambda block: None))
        await asyncio.sleep(0.1)
        reader.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await reader
        return source.counts.samples

    assert asyncio.run(scenario()) > 0


def test_what_takes_long_to_make_at_first_does_not_look_like_a_stall(monkeypatch: pytest.MonkeyPatch) -> None:
    source = SyntheticSource(1, seconds=0.1)
    generate = source.person.generate

    def slow(count: int) -> np.ndarray:
        if source.counts.samples == 0:
            time.sleep(0.6)
        return generate(count)

    monkeypatch.setattr(source.person, "generate", slow)
    arrived: list[tuple[float, float]] = []

    def sink(block: Block) -> None:
        assert block.received is not None
        arrived.append((block.received, time.monotonic() - block.received))

    asyncio.run(source.run(sink))
    assert len(arrived) > 3
    assert max(waited for _, waited in arrived) < 0.3
    assert arrived[-1][0] - arrived[0][0] < 0.4


def test_nothing_is_loaded_while_its_clock_runs() -> None:
    """`scipy.signal` takes a second to import: the first samples would come late, and count as stale."""
    script = (
        "import sys; from bridge.sources.synthetic import SyntheticSource; source = SyntheticSource(3)\n"
        "before = set(sys.modules); source.person.generate(4); print(len(set(sys.modules) - before))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "0"


def test_its_noise_is_filtered_as_a_general_library_would() -> None:
    """Against ``scipy.signal.lfilter``: the same first-order recursions."""
    person, noise = SyntheticPerson(5, rate_hz=500), np.random.default_rng(9).standard_normal(3000)
    for slot, numerator, keep in ((0, [1.0], 0.9), (1, [0.95, -0.95], 0.9)):
        wanted = signal.lfilter(numerator, [1.0, -keep], noise)
        found = np.concatenate(
            [person._recursion(slot, numerator, keep, part) for part in np.split(noise, 3)]
        )
        np.testing.assert_allclose(found, wanted, rtol=0, atol=1e-12)
