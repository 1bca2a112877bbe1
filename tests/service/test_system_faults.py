"""System calls that fail under the edges of the daemon: what was there stays, it is told, and all goes on."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from pathlib import Path
from typing import Any

import pytest

from bridge.outputs.osc import OscOutput
from bridge.rules.actions import Action, SendOsc
from bridge.rules.loader import load
from bridge.rules.schema import RuleFile
from bridge.service.control import ControlServer, ask
from bridge.service.rule_watch import RuleWatch
from tests.faults import failing

RULES = """version: 1
source: {type: synthetic}
outputs: {note: {type: log}}
rules:
  - {name: FIRST, when: {event: blink}, then: {note: FIRST}}
"""


@pytest.mark.parametrize("number", [errno.EMFILE, errno.EIO, errno.EINTR, errno.EACCES])
async def test_a_rule_file_that_cannot_be_read_is_read_once_it_can(number: int, tmp_path: Path) -> None:
    """No descriptor left, a network drive that hangs, an editor's lock: the old rules stay, then the new come."""
    file = tmp_path / "rules.yaml"
    file.write_text(RULES)
    used: list[RuleFile] = []
    watch = RuleWatch(file, load(RULES.encode(), str(file)).rules, used.append)
    await watch.start()
    try:
        with failing(
            "open", number, from_call=1, concerns=lambda given: str(given[0]) == str(file)
        ) as faults:
            file.write_text(RULES.replace("FIRST", "SECOND"))
            async with asyncio.timeout(10):
                while not watch.problems:
                    await asyncio.sleep(0.02)
            assert os.strerror(number) in watch.problems[0]
            assert used == []
        assert faults.struck
        async with asyncio.timeout(10):
            while not used:
                await asyncio.sleep(0.02)
        assert [rule.name for rule in used[0].rules] == ["SECOND"]
        assert watch.problems == ()
    finally:
        await watch.stop()


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ECONNABORTED, errno.EINTR])
async def test_commands_come_through_once_connections_can_be_taken_again(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    server = ControlServer({"status": lambda: {"state": "armed"}})
    await server.start()
    try:
        with failing("accept", number, from_call=1, to_call=2, module=socket.socket) as faults:
            asked = asyncio.create_task(asyncio.to_thread(ask, "status"))
            async with asyncio.timeout(10):
                while not faults.struck:
                    await asyncio.sleep(0.02)
            done: Any = (await asyncio.gather(asked, return_exceptions=True))[0]
        if isinstance(done, Exception):  # it has waited as long as it does: the next one gets through
            done = await asyncio.to_thread(ask, "status")
        assert done == {"state": "armed"}
    finally:
        await server.stop()


@pytest.mark.parametrize("number", [errno.ENOBUFS, errno.ENETDOWN, errno.EPERM, errno.EHOSTUNREACH])
async def test_a_datagram_that_cannot_be_sent_is_counted_and_the_next_one_goes(number: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(5)
        output = OscOutput("sound", "127.0.0.1", ear.getsockname()[1])
        await output.open()
        try:
            with failing("send", number, from_call=1, to_call=2, module=socket.socket) as faults:
                sent = [output.send(Action(0.0, "a rule", "sound", SendOsc("/x", (n,)))) for n in range(4)]
            assert faults.struck == 2
            assert sent == [False, False, True, True]
            assert (output.counts.sent, output.counts.refused) == (2, 2)
            assert [ear.recv(100)[-1] for _ in range(2)] == [2, 3]
        finally:
            await output.close()
