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

from bridge.rules.loader import load
from bridge.signals.types import Block
from bridge.sources import build
from bridge.sources.admission import Admission, admission, is_loopback
from bridge.sources.network import NetworkSource
from bridge.sources.protocol import SourceError
from bridge.sources.wiring import Wire
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


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"protocol": "udp"}, "taken on loopback only"),
        ({"protocol": "tcp"}, "needs TLS and a token: give certificate, certificate_key, token_env"),
        ({"protocol": "tcp", "certificate": "c", "certificate_key": "k"}, "give token_env"),
        ({"protocol": "tcp", "token_env": "T"}, "give certificate, certificate_key"),
    ],
)
def test_beyond_loopback_too_little_is_refused(given: dict[str, str], told: str) -> None:
    with pytest.raises(SourceError, match=told):
        admission("0.0.0.0", **given)  # type: ignore[arg-type]


def test_what_cannot_work_is_told(tmp_path: Path, made: Certificates) -> None:
    with pytest.raises(SourceError, match="16 characters"):
        admission("127.0.0.1", protocol="tcp", token_env="T", environment={"T": "short"})
    with pytest.raises(SourceError, match="belong together"):
        admission("127.0.0.1", protocol="tcp", certificate="c")
    with pytest.raises(SourceError, match="cannot be used"):
        admission("127.0.0.1", protocol="tcp", certificate="c", certificate_key="k", folder=tmp_path)
    with pytest.raises(SourceError, match="are for `protocol: tcp`"):
        admission("127.0.0.1", protocol="udp", token_env="T", environment={"T": TOKEN})


def test_a_rule_file_says_it(made: Certificates, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (
        "version: 1\nsource: {{type: network, protocol: tcp, listen: 0.0.0.0, port: {port}, {more}\n"
        "  channels: [{{name: arm, kind: emg}}]}}\n"
    )
    bare = load(text.format(port=free_port(), more="")).rules.source
    assert bare is not None
    with pytest.raises(SourceError, match="needs TLS and a token"):
        build(bare)
    monkeypatch.setenv("BOARD_TOKEN", TOKEN)
    more = f"certificate: {made.certificate}, certificate_key: {made.key}, token_env: BOARD_TOKEN,"
    full = load(text.format(port=free_port(), more=more)).rules.source
    assert full is not None
    assert isinstance(build(full), NetworkSource)


async def running(
    made: Certificates, during: Callable[[NetworkSource, int, ssl.SSLContext], Awaitable[None]]
) -> list[Block]:
    asked = admission(
        "127.0.0.1", protocol="tcp", certificate=str(made.certificate), certificate_key=str(made.key),
        token_env="T", environment={"T": TOKEN},
    )  # fmt: skip
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
