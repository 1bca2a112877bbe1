"""A recording as a source: the same samples, its own pace, gaps as gaps."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter

from bridge.recordings import read
from bridge.rules.schema import SourceSpec
from bridge.signals.types import Block
from bridge.sources import SOURCES, SourceError, build
from bridge.sources.protocol import Source
from bridge.sources.replay import ReplaySource


def write(path: Path, index: np.ndarray, rate: float) -> Path:
    rows = "\n".join(f"{i / rate:.6f},{i}" for i in index)
    path.write_text(f"time,ecg\n{rows}\n")
    return path


def play(source: Source) -> tuple[list[Block], float]:
    async def scenario() -> tuple[list[Block], float]:
        await source.open()
        blocks: list[Block] = []
        start = time.monotonic()
        await source.run(blocks.append)
        took = time.monotonic() - start
        await source.close()
        await source.close()
        return blocks, took

    return asyncio.run(scenario())


def test_fast_and_live_give_the_same_samples_and_gaps(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", np.r_[0:40, 90:130], 200)
    expected = [(block.first, block.end) for block in read(path).blocks()]
    for fast in (True, False):
        source = ReplaySource(path, fast=fast)
        blocks, took = play(source)
        values = np.concatenate([block.samples for block in blocks])[:, 0]
        assert np.array_equal(values, np.r_[0:40, 90:130])
        assert all(np.array_equal(b.samples[:, 0], np.arange(b.first, b.end)) for b in blocks)
        assert (blocks[0].first, blocks[-1].end) == (expected[0][0], expected[-1][1])
        assert source.counts.samples == 80
        assert source.counts.lost_samples == 50
        if fast:
            assert all(block.received is None for block in blocks)
        else:
            # The gap is waited through too: 130 samples at 200 Hz.
            assert took >= 0.64
            assert max(map(len, blocks)) <= 0.032 * 200


def test_a_file_that_cannot_be_read_is_a_source_error(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="no such file"):
        play(ReplaySource(tmp_path / "none.csv"))


def spec(**fields: object) -> SourceSpec:
    adapter: TypeAdapter[SourceSpec] = TypeAdapter(SourceSpec)
    return adapter.validate_python(fields)


def test_the_registry_builds_what_a_rule_file_says(tmp_path: Path) -> None:
    write(tmp_path / "a.csv", np.arange(50), 200)
    channel = {"name": "ecg", "gain": 1000, "reference_voltage": 5, "bits": 10}
    source = build(spec(type="replay", file="a.csv", channels=[channel]), fast=True, folder=tmp_path)
    blocks, _ = play(source)
    # 10 bit over 5 V behind a gain of 1000: 4.88 µV a step (computed).
    assert np.allclose(blocks[0].samples[:, 0], np.arange(50) * 4.8828125)

    source = build(
        spec(type="synthetic", seed=3, channels=[{"name": "arm", "kind": "emg"}, {"name": "chest"}])
    )
    info = asyncio.run(source.open())
    assert [(c.name, c.kind) for c in info.channels] == [("arm", "emg"), ("chest", "ecg")]
    with pytest.raises(SourceError, match="no channel 'toe'"):
        build(spec(type="synthetic", channels=[{"name": "toe"}]))

    board = [{"name": "Fp1"}]
    assert type(build(spec(type="serial", channels=board))).__name__ == "SerialSource"
    assert type(build(spec(type="network", channels=board))).__name__ == "NetworkSource"
    assert type(build(spec(type="lsl", name="x"))).__name__ == "LslSource"
    with pytest.raises(SourceError, match="`channels`"):
        build(spec(type="serial"))
    with pytest.raises(SourceError, match="`kind:`"):
        build(spec(type="serial", channels=[{"name": "left"}]))
    assert set(SOURCES) == {"serial", "replay", "synthetic", "network", "lsl"}
