"""What a broker can do to us at most: cost a connection now and then."""

from __future__ import annotations

import asyncio
import logging
import tracemalloc

import pytest
from hostile_broker import ACCEPTED, ENDLESS, HostileBroker

from bridge.outputs.mqtt import MqttOutput, make_broker
from bridge.outputs.mqtt_link import LARGEST_INCOMING


async def with_broker(hostile: HostileBroker, seconds: float) -> MqttOutput:
    output = MqttOutput("lamp", make_broker("127.0.0.1", hostile.port), source="desk", version="5")
    await output.open()
    await asyncio.sleep(seconds)
    await output.close()
    hostile.stop()
    return output


@pytest.mark.parametrize("greeting", [b"", ACCEPTED], ids=["before the answer", "after it"])
async def test_a_claimed_packet_of_256_mb_costs_nothing(greeting: bytes) -> None:
    """It cost 400 MB: the library asks the system for as much as the broker claims."""
    hostile = HostileBroker(greeting + ENDLESS, flood=64_000_000, close=False)
    tracemalloc.start()
    try:
        output = await with_broker(hostile, 1.5)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 20_000_000
    assert hostile.sent < 32_000_000, "it was hung up on"
    assert "claims a packet of 268435455 bytes" in output.counts.problem


async def test_a_flood_of_packets_that_are_not_too_long_is_no_more_than_that() -> None:
    """Each below the limit: they are read and forgotten, a few kilobytes at a time."""
    length = LARGEST_INCOMING - 1
    packet = bytes([0x30, 0x80 | length % 128, length // 128]) + b"\0\1a\0" + bytes(length - 4)
    hostile = HostileBroker(ACCEPTED + packet * 500, close=False)
    tracemalloc.start()
    try:
        await with_broker(hostile, 1.5)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 30_000_000  # 8 MB of it are what this test sends


async def test_accept_then_drop_is_tried_ever_more_seldom(caplog: pytest.LogCaptureFixture) -> None:
    """It was 58 times and 140 lines in ten seconds. From 0.25 s, doubling: the fifth wait alone is 4 s."""
    caplog.set_level(logging.INFO, "bridge.mqtt")
    hostile = HostileBroker(ACCEPTED)
    await with_broker(hostile, 6.0)
    assert 2 <= hostile.connections <= 7
    assert len(caplog.records) <= 5


async def test_a_broker_asks_for_and_gets_a_largest_packet() -> None:
    """MQTT 5.0, 3.1.2.11.4: the client says the largest packet it takes, in the CONNECT."""
    heard: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        heard.append(await reader.read(1000))
        writer.write(ACCEPTED)
        await reader.read(1000)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    output = MqttOutput(
        "lamp", make_broker("127.0.0.1", server.sockets[0].getsockname()[1]), source="desk", version="5"
    )
    await output.open()
    await output.close()
    server.close()
    assert b"\x27" + LARGEST_INCOMING.to_bytes(4, "big") in heard[0]  # MQTT 5.0, table 2-4: property 39
