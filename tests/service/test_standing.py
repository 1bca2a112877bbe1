"""The one state that is true, and its words."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from bridge.commands.terminal_view import TerminalView
from bridge.outputs.keystrokes import Keystrokes
from bridge.outputs.protocol import OutputCounts, OutputError
from bridge.outputs.standing import STATES, Standing
from bridge.rules.actions import Action
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.service import assembly
from bridge.service.daemon import Daemon
from bridge.signals.types import Block, Channel, StreamInfo
from bridge.sources.protocol import SourceCounts

INFO = StreamInfo((Channel("forehead", "eeg"),), 250.0)
RULES = load(
    "version: 1\noutputs: {keys: {type: keystrokes}}\n"
    "rules:\n  - {name: Next, when: {event: blink, deliberate: true}, then: {press: PageDown}}\n"
).rules

WORDS = [
    (Standing(armed=True), "armed", "armed: keystrokes are sent"),
    (
        Standing(armed=True, unable="there is no screen"),
        "armed-unable",
        "armed, but unable: no keystroke can be sent, because there is no screen",
    ),
    (Standing(), "disarmed", "disarmed: keystrokes are not sent"),
    (Standing(unable="there is no screen"), "disarmed", "disarmed: keystrokes are not sent"),
    (Standing(armed=True, paused_by="the page"), "paused", "paused by the page: nothing is sent"),
    (
        Standing(armed=True, paused_by="the page", all_silent=True),
        "paused",
        "paused by the page: nothing is sent",
    ),
    (Standing(all_silent=True), "no-signal", "no signal: no samples arrive, so no rule can fire (disarmed)"),
    (
        Standing(armed=True, unable="x", all_silent=True),
        "no-signal",
        "no signal: no samples arrive, so no rule can fire (armed)",
    ),
    (Standing(armed=True, silent=("left",)), "armed", "armed: keystrokes are sent; no samples from left"),
    (Standing(dry_run=True), "disarmed", "dry run: actions are shown, not sent"),
    (Standing(armed=True, has_keys=False), "live", "live: what the rules say is sent"),
    (Standing(has_keys=False), "live", "live: what the rules say is sent"),
    (
        Standing(has_keys=False, all_silent=True),
        "no-signal",
        "no signal: no samples arrive, so no rule can fire",
    ),
    (
        Standing(disarmed_by="the rule 'Off'"),
        "disarmed",
        "disarmed by the rule 'Off': keystrokes are not sent",
    ),
]


@pytest.mark.parametrize(("standing", "state", "sentence"), WORDS)
def test_each_state_has_its_words(standing: Standing, state: str, sentence: str) -> None:
    assert (standing.state, standing.sentence) == (state, sentence)
    assert standing.to_json() == {
        "state": state,
        "sentence": sentence,
        "armed": standing.armed,
        "can_arm": standing.has_keys and not standing.dry_run,
    }


def test_every_state_is_shown_above() -> None:
    assert {state for _, state, _ in WORDS} == set(STATES)


class Line:
    """A source that sends while it is plugged in."""

    def __init__(self) -> None:
        self.counts = SourceCounts()
        self.plugged = True

    async def open(self) -> StreamInfo:
        return INFO

    async def run(self, take: Callable[[Block], None]) -> None:
        first = 0
        while True:
            await asyncio.sleep(0.02)
            if self.plugged:
                take(Block(np.zeros((5, 1)), first))
                first += 5

    async def close(self) -> None: ...


class Hands:
    """A keystroke output of which the test says whether it could send."""

    name = "keys"

    def __init__(self, opens: bool = True) -> None:
        self.counts = OutputCounts()
        self.why = ""
        self.opens = opens

    def arm(self) -> None: ...

    def disarm(self) -> None: ...

    def unready(self) -> str:
        return self.why

    async def open(self) -> None:
        if not self.opens:
            raise OutputError("there is no screen to type on")

    def send(self, action: Action) -> bool:
        return True

    def release(self) -> None: ...

    async def close(self) -> None: ...


def daemon_of(line: Line, hands: Any, *, armed: bool = True) -> Daemon:
    def make(infos: Any) -> Any:
        bound = assembly.bindings_for(infos, RULES.detectors, assembly.kinds_heard(RULES), None)
        return assembly.pipeline_for(infos, bound, Engine(RULES))

    return Daemon({"": line}, make, {"keys": hands}, armed=armed)


async def becomes(daemon: Daemon, state: str) -> None:
    async with asyncio.timeout(10):
        while daemon.standing.state != state:
            await asyncio.sleep(0.01)


def test_the_state_follows_what_is_so(caplog: pytest.LogCaptureFixture) -> None:
    line, hands = Line(), Hands()
    daemon = daemon_of(line, hands)

    async def becomes(daemon: Daemon, state: str) -> None:
        """In the log too, which is written when the daemon looks."""
        async with asyncio.timeout(10):
            while daemon.standing.state != state or daemon.standing.sentence not in told()[-1:]:
                await asyncio.sleep(0.01)

    def told() -> list[str]:
        return [record.getMessage() for record in caplog.records if "samples for" not in record.getMessage()]

    async def scenario() -> None:
        going = asyncio.ensure_future(daemon.run())
        await becomes(daemon, "armed")
        hands.why = "the keystroke guard is not there"
        await becomes(daemon, "armed-unable")
        hands.why = ""
        await becomes(daemon, "armed")
        line.plugged = False
        await becomes(daemon, "no-signal")
        line.plugged = True
        await becomes(daemon, "armed")
        assert daemon.arm(False, "") == ""
        await becomes(daemon, "disarmed")
        assert daemon.pause(True, "the pause key") == ""
        assert daemon.standing.sentence == "paused by the pause key: nothing is sent"
        daemon.pause(False, "the pause key")
        assert daemon.snapshot()["sentence"] == "disarmed: keystrokes are not sent"
        daemon.stop()
        await going

    with caplog.at_level("INFO", "bridge"):
        asyncio.run(scenario())
    assert "paused by the pause key: nothing is sent" in told()
    assert "resumed; disarmed: keystrokes are not sent" in told()


def test_the_terminal_shows_the_same_sentence() -> None:
    view = TerminalView("")
    view.opened({"": INFO})
    view.stands(Standing(dry_run=True).sentence)
    console = Console(width=120, height=24, file=StringIO(), record=True)
    console.print(view)
    assert "dry run: actions are shown, not sent" in console.export_text()


def test_armed_without_a_screen_is_not_called_able() -> None:
    daemon = daemon_of(Line(), Hands(opens=False))

    async def scenario() -> None:
        going = asyncio.ensure_future(daemon.run())
        await becomes(daemon, "armed-unable")
        assert daemon.standing.sentence.endswith("because there is no screen to type on")
        daemon.stop()
        await going

    asyncio.run(scenario())


def test_the_keystroke_output_says_why_it_could_not_send(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.delenv("DISPLAY", raising=False)
    assert Keystrokes("keys").unready() == "the keystroke guard is not there"
