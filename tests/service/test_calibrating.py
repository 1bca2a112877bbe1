"""A calibration on the daemon's own stream: what is paused, recorded, fitted and kept."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibration"))

from model_person import INFO, Blinker
from reading_person import ReadingPerson

from bridge.calibration.profile import Profile
from bridge.pipeline import Pipeline
from bridge.recordings import read
from bridge.recordings.profile_file import read_profile_file, write_profile_file
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.service import assembly
from bridge.service.calibrating import CalibrationDesk
from bridge.service.companions import Control
from bridge.service.daemon import Daemon
from bridge.service.fitted import FittedProfile
from bridge.signals.types import Event

RULES = load(
    "version: 1\noutputs: {notes: {type: log}}\n"
    "rules:\n  - {name: Blink, when: {event: blink, deliberate: true}, then: {note: blink}}\n"
).rules


class Bench:
    """A daemon, its desk and the person, on one event loop."""

    def __init__(self, folder: Path, person: Blinker, slow_s: float = 0.0, size: int = 10) -> None:
        self.folder = folder

        def bound(infos: Any) -> Any:
            kinds = assembly.kinds_heard(RULES)
            return assembly.bindings_for(infos, RULES.detectors, kinds, self.shelf.profile)

        def refit() -> None:
            self.daemon.use_rules(lambda pipeline, infos: pipeline.change_rules(RULES, bound(infos)))

        def make(infos: Any) -> Pipeline:
            return assembly.pipeline_for(infos, bound(infos), Engine(RULES))

        self.shelf = FittedProfile(folder / "me.yaml", None, refit)
        self.desk = CalibrationDesk(lambda: self.daemon, self.shelf, folder / "sessions", seed=1)
        self.person = ReadingPerson(person, INFO, lambda: self.desk.state(), slow_s, size)
        self.daemon = Daemon({"": self.person}, make, {}, taps=[self.desk], armed=True)
        self.phases: list[str] = []

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[Bench]:
        going = asyncio.ensure_future(self.daemon.run())
        await self.until(lambda: self.daemon.pipeline is not None and bool(self.desk.state()["detectors"]))
        try:
            yield self
        finally:
            self.daemon.stop()
            await going

    async def until(self, condition: Callable[[], object], within_s: float = 60.0) -> None:
        async with asyncio.timeout(within_s):
            while not condition():
                await asyncio.sleep(0.005)

    def begin(self, **options: Any) -> None:
        self.desk.start(["blink"], **{"few": True, "force": False, "slower": 1.0, **options})

    @property
    def phase(self) -> str:
        return str(self.desk.state()["phase"])


def bench(folder: Path, **options: Any) -> Bench:
    return Bench(folder, Blinker(ratio=2.4, spread=0.1, seed=4), **options)


def test_a_whole_session_ends_in_a_profile_that_is_used(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with bench(tmp_path).running() as own:
            own.begin()
            assert own.daemon.state.value == "paused"
            with pytest.raises(ValueError, match="going on already"):
                own.begin()
            await own.until(lambda: own.phase == "fitting")
            assert own.daemon.state.value == "armed", "outputs go on while the fit is worked out"
            await own.until(lambda: own.phase not in ("fitting",))
            state = own.desk.state()
            assert state["phase"] == "done", state.get("words")
            assert not (tmp_path / "me.yaml").exists(), "nothing is written before the person says so"
            found = state["evidence"]["blink"]
            assert len(found["acts"]) == 5
            assert dict(found["figures"])["expected hit rate"]
            assert found["trace"]["rows"]
            assert any("few acts" in words for words in found["warnings"])
            own.desk.keep()
            assert own.phase == "kept"
            profile = read_profile_file(tmp_path / "me.yaml")
            assert own.daemon.pipeline is not None
            (detector,) = own.daemon.pipeline.chains[""].detectors
            fitted = profile.detectors["blink"].settings
            assert {name: getattr(detector.settings, name) for name in fitted} == dict(fitted)
            with pytest.raises(ValueError, match="no new profile"):
                own.desk.keep()
            held = read(state["recording"])
            labels = [mark.label for mark in held.annotations]
            assert labels.count("cue blink deliberate") == 5 + 5  # the acts and the check
            assert [label for label in labels if label.startswith("step")] == [
                "step rest", "step act blink", "step twice blink", "step everyday", "step verify blink"
            ]  # fmt: skip
        assert own.person.words.count("BLINK firmly") == 10

    asyncio.run(scenario())


def test_nobody_resumes_while_a_calibration_goes_on(tmp_path: Path) -> None:
    """The page promises that nothing is sent meanwhile: neither a person nor a rule may end the pause."""

    async def scenario() -> None:
        own = bench(tmp_path)
        control = Control(lambda: own.daemon)
        async with own.running():
            assert "error" not in control._pause(False)
            own.begin()
            assert own.daemon.standing.sentence == "paused by the calibration: nothing is sent"
            assert "a calibration is going on" in str(control._pause(False)["error"])
            assert "a calibration is going on" in own.daemon.pause(False, "the page")
            assert own.daemon.pipeline is not None
            engine = own.daemon.pipeline.engine
            assert isinstance(engine, Engine)
            engine.set_paused(False, "Hands-free resume", Event("blink", "instant", 0.0, 0.0, "forehead"))
            assert engine.paused
            assert own.daemon.state.value == "paused"
            assert own.daemon.arm(False, "the page") == ""
            assert "a calibration is going on" in str(control._arm(True)["error"])
            assert "a calibration is going on" in own.daemon.arm(True, "the page")
            assert not own.daemon.dispatch.armed
            own.desk.press("stop")
            await own.until(lambda: own.phase == "stopped")
            assert own.daemon.state.value == "disarmed"
            assert "calibration" not in own.daemon.arm(True, "the page")
            assert not engine.paused

    asyncio.run(scenario())


def test_who_pauses_during_a_calibration_stays_paused_after_it(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with bench(tmp_path).running() as own:
            own.begin()
            own.daemon.pause(True, "the page")
            own.desk.press("stop")
            await own.until(lambda: own.phase == "stopped")
            assert own.daemon.standing.sentence == "paused by the page: nothing is sent"
            assert own.daemon.pause(False, "the page") == ""
            assert own.daemon.state.value == "armed"

    asyncio.run(scenario())


def test_a_bad_signal_does_not_begin_unless_forced(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with bench(tmp_path).running() as own:
            own.person.off = True
            own.begin()
            await own.until(lambda: own.phase == "failed")
            state = own.desk.state()
            assert "too bad to start" in state["words"]
            assert [item["verdict"] for item in state["check"]] == ["bad"]
            assert state["check"][0]["advice"]
            assert own.daemon.state.value == "armed"
            own.begin(force=True)
            await own.until(lambda: own.phase == "running")
            own.desk.press("stop")
            await own.until(lambda: own.phase == "stopped")

    asyncio.run(scenario())


def test_steps_repeat_and_an_early_end_keeps_what_was_done(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with bench(tmp_path).running() as own:
            own.begin()
            await own.until(lambda: own.desk.state().get("cue", 0) == 3)
            own.desk.press("repeat")
            await own.until(lambda: own.phase == "running" and own.desk.state().get("cue", 0) == 6)
            own.desk.press("stop")
            await own.until(lambda: own.phase == "stopped")
            state = own.desk.state()
            assert state["recording"] in state["words"]
            labels = [mark.label for mark in read(state["recording"]).annotations]
            assert labels.count("step repeated") == 1
            assert labels.count("cue blink deliberate") == 6
            assert own.daemon.state.value == "armed"

    asyncio.run(scenario())


def test_nobody_who_acts_gives_no_profile(tmp_path: Path) -> None:
    async def scenario() -> None:
        idle = Bench(tmp_path, Blinker(acts=False, seed=4))
        async with idle.running() as own:
            own.begin()
            await own.until(lambda: own.phase == "failed")
            assert "cues" in own.desk.state()["words"]
            with pytest.raises(ValueError, match="no new profile"):
                own.desk.keep()

    asyncio.run(scenario())


def test_what_cannot_be_calibrated_here_is_told(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with bench(tmp_path).running() as own:
            assert own.desk.state()["detectors"] == ["blink", "gaze", "drowsiness"]
            with pytest.raises(ValueError, match="no source carries"):
                own.desk.start(["contraction"], few=False, force=False, slower=1.0)
            with pytest.raises(ValueError, match="at least one"):
                own.desk.start([], few=False, force=False, slower=1.0)

    asyncio.run(scenario())


def test_a_profile_that_does_not_hold_changes_nothing(tmp_path: Path) -> None:
    from dataclasses import replace

    from bridge.calibration.evidence import Counts, Evidence, Prediction
    from bridge.calibration.profile import DetectorProfile, MadeOn
    from bridge.detectors import DETECTORS

    async def scenario() -> None:
        evidence = Evidence(Counts({}, 0, 0, 0.0), None, None, Prediction(0, 0, 0, 0.0))
        made = MadeOn(INFO.channels, INFO.rate, DETECTORS["blink"].version, "", "2026-01-05T10:00:00")
        good = Profile("me", "board", {"blink": DetectorProfile({"threshold": 150.0}, made, evidence)})
        async with bench(tmp_path).running() as own:
            own.shelf.take(good)
            own.shelf.keep("blink", {"threshold": 180.0})
            written = (tmp_path / "me.yaml").read_text()
            assert read_profile_file(tmp_path / "me.yaml").detectors["blink"].settings["threshold"] == 180.0
            part = replace(good.detectors["blink"], made_on=replace(made, rate_hz=500.0))
            with pytest.raises(ValueError, match="made at 500 Hz"):
                own.shelf.take(replace(good, detectors={"blink": part}))
            with pytest.raises(ValueError, match="threshold"):
                own.shelf.keep("blink", {"threshold": -1.0})
            assert (tmp_path / "me.yaml").read_text() == written
            assert own.daemon.pipeline is not None
            assert own.daemon.pipeline.chains[""].detectors[0].settings.threshold == 180.0

    asyncio.run(scenario())
    write_profile_file(tmp_path / "again.yaml", read_profile_file(tmp_path / "me.yaml"))
