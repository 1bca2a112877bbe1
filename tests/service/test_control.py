"""The control socket, over a real Unix socket."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.service.control import ControlError, ControlServer, ask, daemons, runtime_folder


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


async def _with_server(word: str, pid: int | None = None) -> dict[str, object]:
    server = ControlServer({"status": lambda: {"state": "armed"}})
    await server.start()
    try:
        return await asyncio.to_thread(ask, word, pid)
    finally:
        await server.stop()


def test_a_question_is_answered() -> None:
    assert asyncio.run(_with_server("status")) == {"state": "armed"}
    assert asyncio.run(_with_server("status", os.getpid())) == {"state": "armed"}


def test_an_unknown_word_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ControlError, match="status"):
        asyncio.run(_with_server("explode"))


def test_nobody_else_can_reach_the_socket() -> None:
    async def modes() -> tuple[int, int]:
        server = ControlServer({})
        await server.start()
        try:
            return stat.S_IMODE(server.path.stat().st_mode), stat.S_IMODE(server.path.parent.stat().st_mode)
        finally:
            await server.stop()

    assert asyncio.run(modes()) == (0o600, 0o700)


def test_without_a_daemon_the_error_says_what_to_do() -> None:
    with pytest.raises(ControlError, match="biosignal-bridge run"):
        ask("status")


def test_what_a_killed_daemon_left_is_removed() -> None:
    folder = runtime_folder()
    folder.mkdir(parents=True)
    left = folder / "999999.sock"
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(left))
    assert left.exists()
    assert daemons() == []
    assert not left.exists()


@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.binary(max_size=4000))
def test_hostile_bytes_get_an_error_or_nothing(junk: bytes) -> None:
    called = []

    async def send() -> bytes:
        server = ControlServer({"pause": lambda: called.append(1) or {"state": "paused"}})
        await server.start()
        try:
            reader, writer = await asyncio.open_unix_connection(server.path)
            writer.write(junk + b"\n")
            writer.write_eof()
            answer = await reader.read()
            writer.close()
            return answer
        except ConnectionError:
            return b""
        finally:
            await server.stop()

    answer = asyncio.run(send())
    assert called == []
    assert not answer or "error" in json.loads(answer)
