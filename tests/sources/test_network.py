"""Lines and OSC over the loopback interface, with a board that is played by the test."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Awaitable, Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.signals.types import Block
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
        source = NetworkSource(TWO, protocol="udp", port=port, rate_hz=250)
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
        source = NetworkSource(TWO, protocol="udp", port=port, rate_hz=250)
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
        source = NetworkSource(TWO, protocol="osc", port=port, rate_hz=250, address="/emg")
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


@given(st.binary(max_size=200))
def test_any_datagram_is_rows_or_nothing(packet: bytes) -> None:
    rows = rows_of(packet)
    assert rows is None or all(rows)


def test_a_board_that_connects_again_leaves_a_gap() -> None:
    async def scenario() -> None:
        port = free_port(socket.SOCK_STREAM)
        source = NetworkSource(TWO, protocol="tcp", port=port, rate_hz=100)
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
            asyncio.run(NetworkSource(TWO, protocol="tcp", port=taken.getsockname()[1], rate_hz=1).open())
    with pytest.raises(SourceError, match="nothing came"):
        asyncio.run(NetworkSource(TWO, protocol="udp", port=free_port(socket.SOCK_DGRAM)).open())
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        with pytest.raises(SourceError, match="cannot listen"):
            asyncio.run(NetworkSource(TWO, protocol="udp", port=taken.getsockname()[1], rate_hz=1).open())
