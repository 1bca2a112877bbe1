"""The control channel, over each system's real way: a Unix socket, and a loopback port with a token."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from platformdirs import windows

from bridge.commands import control
from bridge.service.control import ControlError, ControlServer, ask, ask_all, daemons
from bridge.service.control_channel import ControlChannel, for_this_system
from bridge.service.control_channel.loopback_port import LoopbackPort
from bridge.service.control_channel.unix_socket import UnixSocket
from bridge.trust.places import runtime_folder

CHANNELS: list[Callable[[], ControlChannel]] = [UnixSocket, LoopbackPort]
ways = pytest.mark.parametrize("way", CHANNELS)


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


async def _with_server(
    way: Callable[[], ControlChannel], word: str, pid: int | None = None
) -> dict[str, object]:
    server = ControlServer({"status": lambda: {"state": "armed"}}, way())
    await server.start()
    try:
        return await asyncio.to_thread(ask, word, pid, way())
    finally:
        await server.stop()


@ways
def test_a_question_is_answered(way: Callable[[], ControlChannel]) -> None:
    assert asyncio.run(_with_server(way, "status")) == {"state": "armed"}
    assert asyncio.run(_with_server(way, "status", os.getpid())) == {"state": "armed"}


def test_this_system_has_the_socket() -> None:
    assert isinstance(for_this_system(), UnixSocket)


@ways
def test_an_unknown_word_is_refused_with_the_known_ones(way: Callable[[], ControlChannel]) -> None:
    with pytest.raises(ControlError, match="status"):
        asyncio.run(_with_server(way, "explode"))


@ways
def test_nobody_else_can_reach_it(way: Callable[[], ControlChannel]) -> None:
    async def modes() -> tuple[int, int]:
        before = os.umask(0)
        try:
            server = ControlServer({}, way())
            await server.start()
        finally:
            os.umask(before)
        try:
            return stat.S_IMODE(server.path.stat().st_mode), stat.S_IMODE(server.path.parent.stat().st_mode)
        finally:
            await server.stop()

    assert asyncio.run(modes()) == (0o600, 0o700)
    assert list(runtime_folder().iterdir()) == []


def test_on_windows_the_file_lies_in_the_users_own_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """%LOCALAPPDATA% is the user's alone (Microsoft, "Known folders": FOLDERID_LocalAppData, per user)."""
    monkeypatch.setenv("LOCALAPPDATA", "/users/me/local")
    monkeypatch.setattr(windows, "get_win_folder", windows.get_win_folder_from_env_vars)
    folder = windows.Windows("biosignal-bridge", appauthor=False).user_runtime_dir
    assert folder.startswith("/users/me/local/")


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
    assert daemons(UnixSocket()) == []
    assert not left.exists()


@pytest.mark.parametrize(
    "left", [None, "", "[1]", '{"port": "x", "token": 1}', '{"port": 70000, "token": "t"}']
)
def test_a_port_file_that_a_killed_daemon_left_is_removed(left: str | None) -> None:
    folder = runtime_folder()
    folder.mkdir(parents=True)
    file = folder / "999999.port"
    if left is None:
        with socket.socket() as freed:
            freed.bind(("127.0.0.1", 0))
            left = json.dumps({"port": freed.getsockname()[1], "token": "t"})
    file.write_text(left)
    assert daemons(LoopbackPort()) == []
    assert not file.exists()


@pytest.mark.parametrize("line", [b"", b"\n", b"wrong\n", b"{token}", b"{token} \n", b"x" * 5000 + b"\n"])
def test_without_the_token_nothing_is_asked(line: bytes) -> None:
    called: list[int] = []

    async def send() -> bytes:
        server = ControlServer({"pause": lambda: called.append(1) or {}}, LoopbackPort())
        await server.start()
        try:
            place = json.loads(server.path.read_text())
            reader, writer = await asyncio.open_connection("127.0.0.1", place["port"])
            writer.write(line.replace(b"{token}", place["token"].encode()) + b'{"do": "pause"}\n')
            writer.write_eof()
            try:
                return await reader.read()
            finally:
                writer.close()
        except ConnectionError:
            return b""
        finally:
            await server.stop()

    assert asyncio.run(send()) == b""
    assert called == []


@ways
def test_a_crowd_that_says_nothing_keeps_nobody_out(
    way: Callable[[], ControlChannel], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The oldest go, the others in time; the owner's commands are answered all along."""

    def read(link: socket.socket) -> bytes:
        with link, contextlib.suppress(ConnectionError):
            return link.recv(10)
        return b""

    async def crowd() -> tuple[list[dict[str, Any]], list[bytes]]:
        server = ControlServer({"status": lambda: {"state": "armed"}}, way())
        await server.start()
        try:
            answers = []
            silent = []
            for _ in range(4):
                silent += [await asyncio.to_thread(way().connect, server.path, 20.0) for _ in range(15)]
                answers.append(await asyncio.to_thread(ask, "status", os.getpid(), way()))
            return answers, [await asyncio.to_thread(read, link) for link in silent]
        finally:
            await server.stop()

    assert asyncio.run(crowd()) == ([{"state": "armed"}] * 4, [b""] * 60)


@ways
def test_a_daemon_that_cannot_take_a_connection_now_is_not_given_up(
    way: Callable[[], ControlChannel],
) -> None:
    """Else whoever fills the queue of connections would take away the daemon's place for good."""
    folder = runtime_folder()
    folder.mkdir(parents=True, mode=0o700)
    path = folder / f"{os.getpid()}{way().suffix}"
    listening = way().bind(path)
    listening.listen(0)
    waiting = []
    try:
        for _ in range(20):
            link = way().connect(path, 0.05)
            waiting.append(link)
    except OSError:
        pass
    try:
        assert len(waiting) < 20, "the queue is full"
        assert daemons(way()) == [os.getpid()]
        assert path.exists()
        with pytest.raises(ControlError, match="does not answer"):
            ask("status", os.getpid(), way())
    finally:
        for link in waiting:
            link.close()
        listening.close()


@ways
@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(junk=st.binary(max_size=4000))
def test_hostile_bytes_get_an_error_or_nothing(way: Callable[[], ControlChannel], junk: bytes) -> None:
    called: list[int] = []

    async def send() -> bytes:
        server = ControlServer({"pause": lambda: called.append(1) or {"state": "paused"}}, way())
        await server.start()
        try:
            link = way().connect(server.path, 5.0)
            link.setblocking(False)
            reader, writer = await asyncio.open_connection(sock=link)
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


class Several:
    """Daemons as processes of their own, for each is known by its process id."""

    SERVE = """
import asyncio, json, sys
from bridge.service.control import ControlServer

async def serve():
    told = []
    answers = {"status": lambda: {"rule_file": sys.argv[1], "told": told}}
    for word in ("pause", "arm"):
        answers[word] = lambda word=word: told.append(word) or {"state": word}
    server = ControlServer(answers)
    await server.start()
    print("there", flush=True)
    await asyncio.to_thread(sys.stdin.read)
    await server.stop()

asyncio.run(serve())
"""

    def __init__(self, *files: str) -> None:
        self.files = files

    def __enter__(self) -> list[int]:
        self.running = [
            subprocess.Popen(
                [sys.executable, "-c", self.SERVE, file],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
            for file in self.files
        ]
        for child in self.running:
            assert child.stdout is not None
            assert child.stdout.readline() == "there\n"
        return [child.pid for child in self.running]

    def __exit__(self, *_: object) -> None:
        for child in self.running:
            child.communicate(timeout=10)


def test_of_several_daemons_one_is_named_by_its_rule_file(tmp_path: Path) -> None:
    slides, lamp = str(tmp_path / "slides.yaml"), str(tmp_path / "lamp.yaml")
    with Several(slides, lamp) as (first, second):
        with pytest.raises(ControlError, match=r"several .* by its rule file") as told:
            ask("pause")
        assert f"slides.yaml (--pid {first})" in str(told.value)
        assert f"lamp.yaml (--pid {second})" in str(told.value)
        for name in (lamp, "lamp.yaml", "lamp"):
            assert ask("pause", file=name) == {"state": "pause"}
        assert ask("arm", first) == {"state": "arm"}
        assert {tuple(answer["told"]) for answer in ask_all("status")} == {("pause",) * 3, ("arm",)}
        with pytest.raises(ControlError, match=r"no daemon runs other.yaml; there is: .*slides.yaml"):
            ask("pause", file="other.yaml")
    with Several(slides, slides), pytest.raises(ControlError, match=r"several daemons run .*--pid"):
        ask("pause", file="slides")


def test_the_status_of_several_is_told_of_each(monkeypatch: pytest.MonkeyPatch) -> None:
    answer = {
        "rule_file": "/home/anna/slides.yaml",
        "pid": 12,
        "sentence": "armed: keystrokes are sent",
        "signal": [
            {"stream": "", "channel": "forehead", "verdict": "poor", "reason": "mains hum"},
            {"stream": "left", "channel": "arm", "verdict": "none", "reason": "no samples"},
            {"stream": "", "channel": "chest", "verdict": "good", "reason": "fine"},
        ],
        "uptime_s": 3.0,
        "samples": 9,
        "lost_samples": 0,
        "skipped_lines": 0,
        "clocks": {},
        "events": {},
        "actions": {},
        "latency_ms": {"median": None},
    }
    monkeypatch.setattr(control, "ask_all", lambda word: [answer, answer | {"signal": [], "rule_file": ""}])
    done = CliRunner().invoke(control.status, [])
    assert done.exit_code == 0, done.output
    first, second = done.stdout.split("\n\n")
    assert "rules     /home/anna/slides.yaml (pid 12)" in first
    assert "signal    forehead: poor (mains hum), left arm: no samples" in first
    assert "rules     no rule file (pid 12)" in second
    assert "signal    not known yet" in second
