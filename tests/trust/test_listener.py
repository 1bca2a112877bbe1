"""Listeners under a flood: few strangers at once, each for a short time, and those who are known stay."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import ssl
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from bridge.trust.listener import Listener, bind_tcp, most_strangers
from tests.components import certificates


class Echo(asyncio.Protocol):
    """Whoever says `friend` is known from then on."""

    def __init__(self, listener: Callable[[], Listener]) -> None:
        self._listener = listener

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        if data.startswith(b"friend"):
            self._listener().know(self.transport)
        assert isinstance(self.transport, asyncio.Transport)
        self.transport.write(data)


def on_listener(
    check: Callable[[Listener, int], Awaitable[None]],
    *,
    tls: ssl.SSLContext | None = None,
    most: int = 8,
    patience_s: float = 5.0,
) -> None:
    async def main() -> None:
        made: list[Listener] = []
        sockets = bind_tcp("127.0.0.1", 0)
        made.append(
            Listener("rig", sockets, lambda: Echo(lambda: made[0]), tls=tls, most=most, patience_s=patience_s)
        )
        try:
            await asyncio.wait_for(check(made[0], sockets[0].getsockname()[1]), 30)
        finally:
            await made[0].close()

    asyncio.run(main())


async def connect(port: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    return await asyncio.open_connection("127.0.0.1", port)


async def gone(reader: asyncio.StreamReader, within_s: float = 5.0) -> bool:
    with contextlib.suppress(ConnectionError):
        return await asyncio.wait_for(reader.read(1), within_s) == b""
    return True


def test_the_oldest_stranger_goes_first_and_friends_stay() -> None:
    async def check(listener: Listener, port: int) -> None:
        friend, says = await connect(port)
        says.write(b"friend")
        assert await friend.readexactly(6) == b"friend"
        strangers = [await connect(port) for _ in range(12)]
        for reader, _ in strangers[:4]:
            assert await gone(reader)
        assert listener.dropped == 4
        assert listener.strangers == 8
        newest, writes = strangers[-1]
        writes.write(b"hello")
        assert await newest.readexactly(5) == b"hello"
        says.write(b"friend")
        assert await friend.readexactly(6) == b"friend"
        for _, writer in [*strangers, (friend, says)]:
            writer.close()

    on_listener(check)


def test_who_says_nothing_is_dropped_in_time() -> None:
    async def check(listener: Listener, port: int) -> None:
        friend, says = await connect(port)
        says.write(b"friend")
        await friend.readexactly(6)
        silent, kept = await connect(port)
        dripping, drips = await connect(port)
        for _ in range(4):
            drips.write(b"x")
            await asyncio.sleep(0.1)
        assert await gone(silent)
        with contextlib.suppress(ConnectionError):
            while await dripping.read(100):
                pass
        assert listener.strangers == 0
        assert (listener.dropped, listener.failed) == (2, 0)
        says.write(b"friend")
        assert await friend.readexactly(6) == b"friend"
        kept.close()
        says.close()

    on_listener(check, patience_s=0.4)


def test_stalled_handshakes_are_counted_among_them(tmp_path: Path) -> None:
    """1,114 of them kept every descriptor of the process once."""
    made = certificates(tmp_path)
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(made.certificate, made.key)

    async def check(listener: Listener, port: int) -> None:
        before = len(os.listdir("/proc/self/fd"))
        stalled = [await connect(port) for _ in range(40)]
        await asyncio.sleep(0.2)
        assert listener.strangers <= 8
        assert len(os.listdir("/proc/self/fd")) - before - len(stalled) <= 10
        client = ssl.create_default_context(cafile=str(made.authority))
        reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=client)
        writer.write(b"friend")
        assert await reader.readexactly(6) == b"friend"
        for each, _ in stalled:
            assert await gone(each)
        writer.write(b"friend")
        assert await reader.readexactly(6) == b"friend"
        writer.close()

    on_listener(check, tls=server, patience_s=1.0)


def test_descriptors_are_kept_in_reserve(monkeypatch: pytest.MonkeyPatch) -> None:
    """Even friends cannot take the last ones: a guard must be able to start, a recording to open."""
    resource = pytest.importorskip("resource")

    async def check(listener: Listener, port: int) -> None:
        used = len(os.listdir("/proc/self/fd"))
        limit = used + 60
        _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        before = resource.getrlimit(resource.RLIMIT_NOFILE)
        friends: list[int] = []
        child = await asyncio.create_subprocess_exec(
            "python3", "-c", _FLOOD, str(port), stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
        )
        assert child.stdin is not None
        assert child.stdout is not None
        resource.setrlimit(resource.RLIMIT_NOFILE, (limit, hard))
        try:
            child.stdin.write(b"go\n")
            assert await child.stdout.readline() == b"connected\n"
            await asyncio.sleep(0.3)
            friends += [os.open("/dev/null", os.O_RDONLY) for _ in range(20)]
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, before)
            for each in friends:
                os.close(each)
            child.stdin.write(b"end\n")
            await child.wait()
        assert listener.dropped > 100

    on_listener(check, most=1000)


_FLOOD = """
import socket, sys
sys.stdin.readline()
kept = []
for _ in range(200):
    each = socket.socket()
    each.settimeout(2)
    try:
        each.connect(("127.0.0.1", int(sys.argv[1])))
        each.sendall(b"friend")
    except OSError:
        pass
    kept.append(each)
print("connected", flush=True)
sys.stdin.readline()
"""


def test_a_few_dozen_at_most() -> None:
    assert 4 <= most_strangers() <= 36


def test_a_taken_port_is_an_error_and_leaves_nothing_open() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        before = len(os.listdir("/proc/self/fd"))
        with pytest.raises(OSError, match="in use"):
            bind_tcp("127.0.0.1", taken.getsockname()[1])
        assert len(os.listdir("/proc/self/fd")) == before
