"""Whatever fails beside or inside the daemon, it says so, and never ends as if all were well."""

from __future__ import annotations

import asyncio
import logging
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from bridge.outputs import build_all
from bridge.outputs.protocol import OutputCounts, Working
from bridge.pipeline import DetectionChain, Pipeline
from bridge.rules.actions import Action
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.service.daemon import Daemon
from bridge.signals.types import Block, Channel, StreamInfo
from bridge.sources.protocol import Sink, SourceCounts

RULES = load("version: 1\nrules: []\n").rules
INFO = StreamInfo((Channel("Fp1", "eeg"),), 250.0)


class Source:
    """Samples for 0.6 s; ``fault`` is what happens after the first tenth."""

    def __init__(self, fault: BaseException | None = None, opening: BaseException | None = None) -> None:
        self.counts = SourceCounts()
        self._fault, self._opening = fault, opening
        self.closed = False

    async def open(self) -> StreamInfo:
        if self._opening is not None:
            raise self._opening
        return INFO

    async def run(self, sink: Sink) -> None:
        for number in range(30):
            await asyncio.sleep(0.02)
            sink(Block(np.zeros((5, 1)), number * 5, asyncio.get_running_loop().time()))
            if number == 5 and self._fault is not None:
                raise self._fault

    async def close(self) -> None:
        self.closed = True


class Companion:
    def __init__(self, at_start: Exception | None = None, later: Exception | None = None) -> None:
        self._at_start, self._later = at_start, later
        self.tasks: Sequence[asyncio.Task[None]] = ()
        self.stopped = False

    async def start(self) -> None:
        if self._at_start is not None:
            raise self._at_start
        self.tasks = (asyncio.create_task(self._work()),)

    async def _work(self) -> None:
        await asyncio.sleep(0.05)
        if self._later is not None:
            raise self._later

    async def stop(self) -> None:
        self.stopped = True


class Output(Companion):
    name = "lamp"

    def __init__(self, later: Exception) -> None:
        super().__init__(None, later)
        self.counts = OutputCounts()

    async def open(self) -> None:
        await self.start()

    def send(self, action: Action) -> bool:
        return True

    def release(self) -> None: ...

    async def close(self) -> None: ...


def daemon(source: Source, *companions: Companion, outputs: dict[str, Output] | None = None) -> Daemon:
    def make(infos: object) -> Pipeline:
        return Pipeline({"": DetectionChain(INFO, [])}, Engine(RULES))

    return Daemon({"": source}, make, outputs or {}, companions=companions)


@pytest.fixture
def said(caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch) -> Callable[[], str]:
    monkeypatch.setattr(logging.getLogger("bridge"), "propagate", True)
    caplog.set_level(logging.INFO, "bridge")
    return lambda: caplog.text


@pytest.mark.parametrize("error", [OSError("no room"), AttributeError("is not there"), NotImplementedError()])
def test_a_companion_that_cannot_start_is_named_and_the_daemon_goes_on(
    error: Exception, said: Callable[[], str]
) -> None:
    companion = Companion(at_start=error)
    summary = asyncio.run(daemon(Source(), companion).run())
    assert summary.samples == 150
    assert "Companion is off" in said()
    assert str(error) in said()
    assert companion.stopped


def test_a_companion_that_fails_later_is_named_with_the_reason(said: Callable[[], str]) -> None:
    summary = asyncio.run(daemon(Source(), Companion(later=KeyError("a slip")), Companion()).run())
    assert summary.samples == 150
    assert said().count("Companion has failed and works no more: 'a slip'") == 1
    assert "Traceback" in said()


def test_an_output_that_fails_in_the_background_is_named(said: Callable[[], str]) -> None:
    asyncio.run(daemon(Source(), outputs={"lamp": Output(ValueError("a slip"))}).run())
    assert "output lamp has failed and works no more: a slip" in said()


def test_every_output_that_works_in_the_background_is_watched() -> None:
    specs = "keys: {type: keystrokes}, lamp: {type: mqtt, host: 127.0.0.1}, sound: {type: osc, host: 127.0.0.1, port: 9}"
    built = build_all(load(f"version: 1\noutputs: {{{specs}}}\nrules: []\n").rules.outputs, None)
    assert {name for name, output in built.items() if isinstance(output, Working)} == {
        "keys",
        "lamp",
        "sound",
    }


@pytest.mark.parametrize("error", [RuntimeError("a slip"), asyncio.CancelledError(), OSError("gone")])
def test_a_reader_that_dies_fails_the_run(error: BaseException) -> None:
    source = Source(error)
    with pytest.raises((RuntimeError, OSError)) as raised:
        asyncio.run(daemon(source).run())
    assert str(raised.value)
    assert source.closed


def test_a_reader_of_several_that_dies_fails_the_run_too() -> None:
    def make(infos: object) -> Pipeline:
        return Pipeline({"a": DetectionChain(INFO, []), "b": DetectionChain(INFO, [])}, Engine(RULES))

    sources = {"a": Source(), "b": Source(asyncio.CancelledError())}
    with pytest.raises(RuntimeError, match="given up"):
        asyncio.run(Daemon(sources, make, {}).run())


def test_what_breaks_while_it_opens_is_raised_and_everything_closed() -> None:
    source = Source(opening=NotImplementedError("not here"))
    with pytest.raises(NotImplementedError, match="not here"):
        asyncio.run(daemon(source).run())
    assert source.closed


def test_the_commands_exit_status_tells(tmp_path: Path) -> None:
    """A file that is there already cannot be recorded to: an unusable file, exit 2 and a word."""
    (tmp_path / "rules.yaml").write_text("version: 1\nsource: {type: synthetic}\nrules: []\n")
    (tmp_path / "out.edf").write_text("mine")
    done = subprocess.run(
        [sys.executable, "-m", "bridge", "run", "rules.yaml", "--record", "out.edf", "--for", "1", "--no-monitor"],
        cwd=tmp_path, capture_output=True, text=True, timeout=60, env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 2
    assert "out.edf" in done.stderr
    assert (tmp_path / "out.edf").read_text() == "mine"
