"""Samples from beyond this computer: TLS and a token, or nothing. Certificates are made by openssl."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import Awaitable, Callable
from pathlib import Path

import numpy as np
import pytest

from bridge.rules.hosts import is_loopback
from bridge.rules.loader import RuleFileErrors, load
from bridge.signals.types import Block
from bridge.sources import build
from bridge.sources.admission import Admission, admission
from bridge.sources.network import NetworkSource
from bridge.sources.protocol import SourceError
from bridge.sources.wiring import Wire
from bridge.trust.login import Login, Place
from bridge.trust.login_file import LoginSpec, write_logins
from tests.components import Certificates, certificates, free_port

TOKEN = "a-long-enough-token"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return certificates(tmp_path_factory.mktemp("tls"))


@pytest.mark.parametrize(
    ("host", "own"),
    # RFC 1122, 3.2.1.3: all of 127/8 is loopback; RFC 4291, 2.5.3: ::1.
    [("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("localhost", True)]
    + [(host, False) for host in ("0.0.0.0", "::", "192.168.1.5", "board.local", "")],
)
def test_what_loopback_is(host: str, own: bool) -> None:
    assert is_loopback(host) is own


@pytest.fixture
def logins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Writes logins into a configuration folder of the test's own."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    known: dict[str, LoginSpec] = {}

    def add(name: str, **fields: object) -> None:
        known[name] = LoginSpec.model_validate(fields)
        write_logins(known)

    return add


def test_beyond_loopback_tls_and_a_token_are_needed(logins: Callable[..., None], made: Certificates) -> None:
    logins("board", hosts=["0.0.0.0"], password=TOKEN)
    with pytest.raises(SourceError, match="can press keys"):
        admission("0.0.0.0", 9100, protocol="tcp", login=None)
    with pytest.raises(SourceError, match="can press keys"):
        admission("0.0.0.0", 9100, protocol="tcp", login=None, anyone=True)
    with pytest.raises(SourceError, match="loopback only"):
        admission("0.0.0.0", 9100, protocol="udp", login="board")
    with pytest.raises(SourceError, match=r"needs TLS: .*--certificate FILE"):
        admission("0.0.0.0", 9100, protocol="tcp", login="board")
    logins(
        "whole", hosts=["0.0.0.0"], password=TOKEN, certificate=str(made.certificate),
        certificate_key=str(made.key),
    )  # fmt: skip
    asked = admission("0.0.0.0", 9100, protocol="tcp", login="whole")
    assert asked.tls is not None
    assert asked.admits(TOKEN)


def test_what_cannot_work_is_told(logins: Callable[..., None]) -> None:
    logins("short", hosts=["127.0.0.1"], password="short", tls=False)
    with pytest.raises(SourceError, match="16 characters"):
        admission("127.0.0.1", 9100, protocol="tcp", login="short")
    logins("none", hosts=["127.0.0.1"], tls=False)
    with pytest.raises(SourceError, match="16 characters"):
        admission("127.0.0.1", 9100, protocol="udp", login="none")
    logins("lost", hosts=["127.0.0.1"], password=TOKEN, tls=False, certificate="c", certificate_key="k")
    with pytest.raises(SourceError, match="cannot be used"):
        admission("127.0.0.1", 9100, protocol="tcp", login="lost")
    with pytest.raises(
        SourceError, match=r"no login `nobody`.*login add nobody --host 127\.0\.0\.1 --port 9100"
    ):
        admission("127.0.0.1", 9100, protocol="tcp", login="nobody")
    logins("elsewhere", hosts=["broker.example"], password=TOKEN)
    with pytest.raises(SourceError, match=r"is for broker\.example, not for 127\.0\.0\.1:9100"):
        admission("127.0.0.1", 9100, protocol="tcp", login="elsewhere")


HEAD = "version: 1\nsource: {type: network, %s channels: [{name: arm, kind: emg}]}\n"


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("protocol: udp, port: 9100,", "every user of this computer"),
        ("protocol: tcp, port: 9100,", "every user of this computer"),
        ("protocol: udp, format: osc, port: 9100,", "every user of this computer"),
        ("protocol: tcp, listen: 0.0.0.0, port: 9100,", "needs TLS and a token"),
        ("protocol: tcp, listen: 0.0.0.0, port: 9100, anyone_on_this_computer: true,", "is for loopback"),
        ("protocol: udp, listen: 0.0.0.0, port: 9100, login: a,", "loopback only"),
        ("protocol: tcp, format: osc, port: 9100, login: a,", "`unix` or `udp`"),
        ("port: 9100,", "is for TCP and UDP"),
        ("protocol: tcp,", "`port` is missing"),
        ("protocol: tcp, port: 9100, login: a, socket: b,", "`socket` is for"),
    ],
)
def test_a_rule_file_that_admits_too_many_is_refused_when_it_is_checked(said: str, told: str) -> None:
    with pytest.raises(RuleFileErrors, match=told) as refused:
        load(HEAD % said)
    assert refused.value.problems[0].line == 2


@pytest.mark.parametrize(
    "said",
    [
        "",
        "socket: headband, format: osc,",
        "protocol: udp, port: 9100, anyone_on_this_computer: true,",
        "protocol: udp, port: 9100, login: board,",
        "protocol: tcp, listen: 0.0.0.0, port: 9100, login: board,",
    ],
)
def test_a_rule_file_says_who_may_send(said: str, made: Certificates, logins: Callable[..., None]) -> None:
    logins(
        "board", hosts=["0.0.0.0", "127.0.0.1"], password=TOKEN, tls=False,
        certificate=str(made.certificate), certificate_key=str(made.key),
    )  # fmt: skip
    source = load(HEAD % said).rules.source
    assert source is not None
    assert isinstance(build(source), NetworkSource)


async def running(
    made: Certificates, during: Callable[[NetworkSource, int, ssl.SSLContext], Awaitable[None]]
) -> list[Block]:
    own = Login(
        "board", (Place("127.0.0.1"),), None, TOKEN, certificate=made.certificate, certificate_key=made.key
    )
    asked = Admission(own.server_context(), TOKEN)
    port = free_port()
    source = NetworkSource([Wire("a", "emg")], protocol="tcp", port=port, rate_hz=100, admission=asked)
    await source.open()
    blocks: list[Block] = []
    reader = asyncio.ensure_future(source.run(blocks.append))
    await asyncio.sleep(0)
    await during(source, port, ssl.create_default_context(cafile=str(made.authority)))
    reader.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await reader
    await source.close()
    return blocks


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(5):
        while not condition():
            await asyncio.sleep(0.005)


def test_a_board_with_the_token_over_tls_is_taken(made: Certificates) -> None:
    async def during(source: NetworkSource, port: int, tls: ssl.SSLContext) -> None:
        _, writer = await asyncio.open_connection("127.0.0.1", port, ssl=tls)
        writer.write(TOKEN.encode() + b"\r\n1\r\n2\r\n")
        await until(lambda: source.counts.samples == 2)
        writer.close()

    blocks = asyncio.run(running(made, during))
    assert np.concatenate([block.samples for block in blocks]).ravel().tolist() == [1, 2]


@pytest.mark.parametrize("first", [b"", b"wrong-token-of-length\n", b"1\n2\n3\n", b"x" * 5000, b"\0\xff\n"])
def test_strangers_take_nobodys_place_and_move_nothing(
    made: Certificates, first: bytes, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    caplog.set_level(logging.WARNING, "bridge")
    monkeypatch.setattr("bridge.sources.network._TOKEN_S", 0.3)

    async def during(source: NetworkSource, port: int, tls: ssl.SSLContext) -> None:
        _, own = await asyncio.open_connection("127.0.0.1", port, ssl=tls)
        own.write(TOKEN.encode() + b"\n1\n")
        await until(lambda: source.counts.samples == 1)
        reader, stranger = await asyncio.open_connection("127.0.0.1", port, ssl=tls)
        stranger.write(first + b"7\n8\n")
        assert await asyncio.wait_for(reader.read(), 5) == b""  # thrown out
        own.write(b"2\n")
        await until(lambda: source.counts.samples == 2)
        for writer in (own, stranger):
            writer.close()

    blocks = asyncio.run(running(made, during))
    assert np.concatenate([block.samples for block in blocks]).ravel().tolist() == [1, 2]
    assert "did not send the token" in caplog.text
    assert TOKEN not in caplog.text


def test_without_tls_nothing_gets_through(made: Certificates) -> None:
    async def during(source: NetworkSource, port: int, tls: ssl.SSLContext) -> None:
        def plain() -> None:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 2) as sock:
                sock.settimeout(1)
                sock.sendall(TOKEN.encode() + b"\n1\n")
                sock.recv(100)

        await asyncio.to_thread(plain)
        assert source.counts.samples == 0

    assert asyncio.run(running(made, during)) == []


def test_no_token_asked_means_anybody_here() -> None:
    assert Admission().admits(b"anything")
