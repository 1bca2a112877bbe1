"""The lab streaming layer, with the library's own outlet as the sender, on the loopback interface."""

from __future__ import annotations

import asyncio
import contextlib
import importlib
from importlib import import_module
from types import ModuleType

import numpy as np
import pytest

from bridge.signals.types import Block
from bridge.sources.lsl import LslSource, Numbering
from bridge.sources.protocol import SourceError
from bridge.sources.wiring import Wire
from tests.components import loopback_lsl


@pytest.fixture
def pylsl(tmp_path_factory: pytest.TempPathFactory) -> ModuleType:
    loopback_lsl(tmp_path_factory.mktemp("lsl"))
    return import_module("pylsl")


def test_a_stream_is_found_described_and_read(pylsl: ModuleType) -> None:
    info = pylsl.StreamInfo("bench board", "EEG", 2, 250, pylsl.cf_float32, "bench-1")
    channels = info.desc().append_child("channels")
    for label in ("Fp1", "O1"):
        channel = channels.append_child("channel")
        channel.append_child_value("label", label)
        channel.append_child_value("unit", "microvolts")
    outlet = pylsl.StreamOutlet(info)

    async def scenario() -> None:
        source = LslSource("bench board")
        opened = await source.open()
        assert opened.rate == 250
        assert [(c.name, c.kind, c.unit) for c in opened.channels] == [
            ("Fp1", "eeg", "uV"),
            ("O1", "eeg", "uV"),
        ]
        blocks: list[Block] = []
        reader = asyncio.ensure_future(source.run(blocks.append))
        for _ in range(200):
            if outlet.have_consumers():
                break
            await asyncio.sleep(0.02)
        start = pylsl.local_clock()
        for i in range(200):
            late = 1.0 if i >= 150 else 0.0  # a second of samples is lost
            outlet.push_sample([float(i), float(-i)], start + i / 250 + late)
            await asyncio.sleep(0.001)
        for _ in range(300):
            if source.counts.samples == 200:
                break
            await asyncio.sleep(0.02)
        reader.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await reader
        await source.close()
        samples = np.concatenate([block.samples for block in blocks])
        assert np.array_equal(samples[:, 0], np.arange(200))
        assert np.array_equal(samples[:, 1], -np.arange(200))
        assert source.counts.lost_samples == 250
        assert blocks[-1].end == 450

    asyncio.run(scenario())


def test_a_stream_that_is_not_there(pylsl: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.sources.lsl._FIND_S", 0.2)
    with pytest.raises(SourceError, match="no LSL stream of numbers is called 'nobody'"):
        asyncio.run(LslSource("nobody").open())


def test_a_library_that_cannot_be_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(name: str) -> ModuleType:
        raise RuntimeError("its compiled part is not to be found")  # as pylsl says it

    monkeypatch.setattr(importlib, "import_module", broken)
    with pytest.raises(SourceError, match=r"cannot be loaded: its compiled part"):
        asyncio.run(LslSource("x", [Wire("a", "emg")]).open())


def test_stamps_with_jitter_and_drift_are_no_gaps() -> None:
    random = np.random.default_rng(2)
    stamps = 50 + np.arange(20_000) / (250 * 1.0002) + random.normal(0, 0.004, 20_000)
    numbering = Numbering(250)
    ends = 0
    for start in range(0, 20_000, 37):
        for first, begin, stop in numbering.runs(stamps[start : start + 37]):
            assert first == ends
            ends = first + stop - begin
    assert (ends, numbering.lost) == (20_000, 0)


def test_a_step_in_the_stamps_is_a_gap() -> None:
    numbering = Numbering(100)
    assert numbering.runs(np.array([0.0, 0.01, 0.02, 1.03, 1.04])) == [(0, 0, 3), (103, 3, 5)]
    assert numbering.lost == 100
