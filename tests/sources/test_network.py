"""Lines and OSC over the loopback interface, with a board that is played by the test."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import stat
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.signals.types import Block
from bridge.sources import local_socket
from bridge.sources.admission import ANYONE, Admission
from bridge.sources.network import NetworkSource
from bridge.sources.osc_rows import rows_of
from bridge.sources.protocol import SourceError
from bridge.sources.wiring import Wire

TWO = [Wire("a", "emg"), Wire("b", "emg")]


def free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    assert isinstance(port, int)
    return port


async def running(source: NetworkSource, during: Callable[[list[Block]], Awaitable[None]]) -> list[Block]:
    blocks: list[Block] = []
    reader = asyncio.ensure_future(source.run(blocks.append))
    await during(blocks)
    reader.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await reader
    await source.close()
    return blocks


def message(address: str, *values: object) -> bytes:
    builder = OscMessageBuilder(address)
    for value in values:
        builder.add_arg(value)  # type: ignore[arg-type]
    return builder.build().dgram


async def until(condition: Callable[[], bool]) -> None:
    for _ in range(500):
        if condition():
            return
        await asyncio.sleep(0.01)
    pytest.fail("waited 5 s in vain")


def test_udp_lines() -> None:
    async def scenario() -> None:
        port = free_port(socket.SOCK_DGRAM)
        source = NetworkSource(TWO, protocol="udp", admission=ANYONE, port=port, rate_hz=250)
        await source.open()
        sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

        async def during(blocks: list[Block]) -> None:
            sender.sendto(b"1,2\n3,4\n", ("127.0.0.1", port))
            sender.sendto(b"5,6", ("127.0.0.1", port))  # no line end
            sender.sendto(b"garbage", ("127.0.0.1", port))
            sender.sendto(b"7\n", ("127.0.0.1", port))
            sender.sendto(b"a:9 b:10\n", ("127.0.0.1", port))
            await until(lambda: source.counts.samples == 4)

        blocks = await running(source, during)
        sender.close()
        assert np.array_equal(np.concatenate([b.samples for b in blocks]), [[1, 2], [3, 4], [5, 6], [9, 10]])
        assert source.counts.skipped_lines == 2

    asyncio.run(scenario())


def test_a_second_sender_is_not_mixed_in() -> None:
    async def scenario() -> None:
        port = free_port(socket.SOCK_DGRAM)
        source = NetworkSource(TWO, protocol="udp", admission=ANYONE, port=port, rate_hz=250)
        await source.open()
        one, other = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))

        async def during(blocks: list[Block]) -> None:
            one.sendto(b"1,2\n", ("127.0.0.1", port))
            await until(lambda: source.counts.samples == 1)
            other.sendto(b"8,9\n", ("127.0.0.1", port))
            await until(lambda: source.counts.skipped_lines == 1)
            one.sendto(b"3,4\n", ("127.0.0.1", port))
            await until(lambda: source.counts.samples == 2)

        blocks = await running(source, during)
        one.close()
        other.close()
        assert np.array_equal(np.concatenate([b.samples for b in blocks]), [[1, 2], [3, 4]])

    asyncio.run(scenario())


def test_osc_messages_and_bundles() -> None:
    async def scenario() -> None:
        port = free_port(socket.SOCK_DGRAM)
        source = NetworkSource(TWO, protocol="osc", admission=ANYONE, port=port, rate_hz=250, address="/emg")
        await source.open()
        sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        bundle = OscBundleBuilder(IMMEDIATELY)
        for values in ((3, 4.5), (5, 6)):
            builder = OscMessageBuilder("/emg")
            for value in values:
                builder.add_arg(value)
            bundle.add_content(builder.build())

        async def during(blocks: list[Block]) -> None:
            for packet in (
                message("/emg", 1, 2.5),
                message("/other", 7, 7),
                message("/emg", "x", 1),
                message("/emg", 1),
                b"junk",
                bundle.build().dgram,
            ):
                sender.sendto(packet, ("127.0.0.1", port))
            await until(lambda: source.counts.samples == 3)

        blocks = await running(source, during)
        sender.close()
        assert np.array_equal(np.concatenate([b.samples for b in blocks]), [[1, 2.5], [3, 4.5], [5, 6]])
        assert source.counts.skipped_lines == 3

    asyncio.run(scenario())


TOKEN = "a-long-enough-token"


def test_a_datagram_without_the_token_moves_nothing() -> None:
    """Not even when it comes first, or after the true sender has been silent."""

    async def scenario() -> None:
        port = free_port(socket.SOCK_DGRAM)
        source = NetworkSource(TWO, protocol="udp", admission=Admission(None, TOKEN), port=port, rate_hz=250)
        await source.open()
        board, other = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))

        async def during(blocks: list[Block]) -> None:
            for packet in (b"8,9\n", b"wrong-token-of-length\n8,9\n", TOKEN.encode()[:-1], b""):
                other.sendto(packet, ("127.0.0.1", port))
            await until(lambda: source.counts.skipped_lines >= 3)
            for row in (b"1,2", b"3,4\n"):
                board.sendto(TOKEN.encode() + b"\n" + row, ("127.0.0.1", port))
            await until(lambda: source.counts.samples == 2)
            board.sendto(b"8,9\n", ("127.0.0.1", port))  # each datagram has it
            skipped = source.counts.skipped_lines
            await until(lambda: source.counts.skipped_lines > skipped)

        blocks = await running(source, during)
        board.close()
        other.close()
        assert np.array_equal(np.concatenate([b.samples for b in blocks]), [[1, 2], [3, 4]])

    asyncio.run(scenario())


def test_a_flood_of_wrong_tokens_does_not_shut_out_the_board() -> None:
    """Each is counted; the first datagram of the board is heard all the same."""

    async def scenario() -> None:
        port = free_port(socket.SOCK_DGRAM)
        source = NetworkSource(TWO, protocol="udp", admission=Admission(None, TOKEN), port=port, rate_hz=250)
        await source.open()
        board, other = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))

        async def during(blocks: list[Block]) -> None:
            for index in range(500):
                other.sendto(b"guess-%d\n8,9\n" % index, ("127.0.0.1", port))
                if index % 100 == 0:
                    await asyncio.sleep(0.01)
            await until(lambda: source.counts.skipped_lines == 500)
            board.sendto(TOKEN.encode() + b"\n3,4", ("127.0.0.1", port))
            await until(lambda: source.counts.samples == 1)

        await running(source, during)
        board.close()
        other.close()

    asyncio.run(scenario())


def test_an_osc_message_carries_the_token_first() -> None:
    async def scenario() -> None:
        port = free_port(socket.SOCK_DGRAM)
        source = NetworkSource(TWO, protocol="osc", admission=Admission(None, TOKEN), port=port, rate_hz=250)
        await source.open()
        sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

        async def during(blocks: list[Block]) -> None:
            for packet in (message("/emg", 8, 9), message("/emg", "wrong", 8, 9), message("/emg")):
                sender.sendto(packet, ("127.0.0.1", port))
            sender.sendto(message("/emg", TOKEN, 1, 2), ("127.0.0.1", port))
            await until(lambda: source.counts.samples == 1)

        blocks = await running(source, during)
        sender.close()
        assert np.array_equal(np.concatenate([b.samples for b in blocks]), [[1, 2]])
        assert source.counts.skipped_lines == 3

    asyncio.run(scenario())


@pytest.mark.parametrize("protocol", ["unix", "osc"])
def test_a_unix_socket_is_for_this_user_alone(
    protocol: Literal["unix", "osc"], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """unix(7): connecting needs write permission on the socket's file, and search on its folder."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))

    async def scenario() -> None:
        path = local_socket.socket_path("headband")
        source = NetworkSource(TWO, protocol=protocol, admission=ANYONE, path=path, rate_hz=250)
        await source.open()
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
        kind = socket.SOCK_STREAM if protocol == "unix" else socket.SOCK_DGRAM
        sender = socket.socket(socket.AF_UNIX, kind)

        async def during(blocks: list[Block]) -> None:
            sender.connect(str(path))
            sender.send(b"1,2\n" if protocol == "unix" else message("/emg", 1, 2))
            await until(lambda: source.counts.samples == 1)
            second = NetworkSource(TWO, protocol=protocol, admission=ANYONE, path=path, rate_hz=250)
            with pytest.raises(SourceError, match="another daemon"):
                await second.open()

        await running(source, during)
        sender.close()
        assert not path.exists()

    asyncio.run(scenario())


def test_what_a_killed_daemon_left_is_taken_over_and_a_strangers_folder_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    path = local_socket.socket_path("headband")
    path.parent.mkdir(parents=True, mode=0o755)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(path))
    local_socket.bind(path, socket.SOCK_STREAM).close()
    path.unlink()
    path.write_text("precious")
    with pytest.raises(SourceError, match="no socket"):
        local_socket.bind(path, socket.SOCK_STREAM)
    assert path.read_text() == "precious"
    path.unlink()
    monkeypatch.setattr("os.getuid", lambda: 4242)
    with pytest.raises(SourceError, match="another user"):
        local_socket.bind(path, socket.SOCK_STREAM)


def test_bundles_in_bundles_are_refused(caplog: pytest.LogCaptureFixture) -> None:
    """One datagram can hold three thousand, one in the other: that was a RecursionError each."""
    packet = message("/emg", 1, 2)
    assert rows_of(bundled(packet, 4)) == [[1, 2]]
    assert rows_of(bundled(packet, 5)) is None
    assert rows_of(bundled(packet, 3200)) is None


def bundled(packet: bytes, times: int) -> bytes:
    for _ in range(times):
        packet = b"#bundle\0" + bytes(7) + b"\1" + len(packet).to_bytes(4, "big") + packet
    return packet


@given(st.binary(max_size=200), st.integers(0, 8))
def test_any_bundle_is_rows_or_nothing(packet: bytes, times: int) -> None:
    rows = rows_of(bundled(packet, times))
    assert rows is None or all(rows)


@given(st.binary(max_size=200))
def test_any_datagram_is_rows_or_nothing(packet: bytes) -> None:
    rows = rows_of(packet)
    assert rows is None or all(rows)


def test_a_board_that_connects_again_leaves_a_gap() -> None:
    async def scenario() -> None:
        port = free_port(socket.SOCK_STREAM)
        source = NetworkSource(TWO, protocol="tcp", admission=ANYONE, port=port, rate_hz=100)
        await source.open()

        async def during(blocks: list[Block]) -> None:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"1,2\r\n3,")
            await until(lambda: source.counts.samples == 1)
            writer.write(b"4\r\n5,")
            await until(lambda: source.counts.samples == 2)
            await asyncio.sleep(0.3)
            _, second = await asyncio.open_connection("127.0.0.1", port)
            second.write(b"x\n7,8\n")
            await until(lambda: source.counts.samples == 3)
            writer.close()
            second.close()

        blocks = await running(source, during)
        assert np.array_equal(np.concatenate([b.samples for b in blocks]), [[1, 2], [3, 4], [7, 8]])
        assert blocks[-1].first > 20
        assert source.counts.lost_samples == blocks[-1].first - 2
        assert source.counts.reconnects == 1
        assert source.counts.skipped_lines == 1

    asyncio.run(scenario())


def test_errors_say_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.sources.network._FIRST_ROW_S", 0.1)
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(SourceError, match="cannot listen at tcp://"):
            asyncio.run(
                NetworkSource(
                    TWO, protocol="tcp", admission=ANYONE, port=taken.getsockname()[1], rate_hz=1
                ).open()
            )
    with pytest.raises(SourceError, match="nothing came"):
        asyncio.run(
            NetworkSource(TWO, protocol="udp", admission=ANYONE, port=free_port(socket.SOCK_DGRAM)).open()
        )
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        with pytest.raises(SourceError, match="cannot listen"):
            asyncio.run(
                NetworkSource(
                    TWO, protocol="udp", admission=ANYONE, port=taken.getsockname()[1], rate_hz=1
                ).open()
            )
