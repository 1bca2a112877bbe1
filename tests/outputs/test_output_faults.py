"""System calls that fail under the outputs: what the fault took is lost, nothing else, and nothing stays down."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from collections.abc import Callable
from typing import Any

import components
import paho.mqtt.client
import pytest
from pythonosc import slip
from waiting import act, at_work, until

from bridge.outputs.mqtt import MqttOutput, make_broker
from bridge.outputs.osc import OscOutput
from bridge.rules.actions import KeyDown, KeyUp, Press, Publish, SendOsc
from tests.faults import failing


def _about(port: int) -> Callable[[tuple[Any, ...]], bool]:
    """Calls on a socket that is connected to this port."""

    def concerns(arguments: tuple[Any, ...]) -> bool:
        try:
            return arguments[0].getpeername()[1] == port
        except (OSError, IndexError):
            return False

    return concerns


# -- the guard's pipe -------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["hold", "press", "let-go", "pulse"])
@pytest.mark.parametrize("number", [errno.EPIPE, errno.EIO])
async def test_a_pipe_to_the_guard_that_breaks_holds_nothing(
    number: int, word: str, recorder: components.KeyRecorder, x_server: components.XServer
) -> None:
    async with at_work() as keys:
        first = keys.guard_pid
        keys.send(act(KeyDown(("Space",), 30.0)))
        await until(lambda: ("down", "space") in recorder.told())
        with failing(
            "write",
            number,
            from_call=1,
            to_call=1,
            concerns=lambda given: f'"do":"{word}"'.encode() in bytes(given[1]),
        ) as faults:
            keys.send(act(KeyDown(("d",), 30.0)))
            keys.send(act(Press(("b",))))
            keys.send(act(KeyUp(("Space",))))
            keys.send(act(KeyUp(("d",))))
            await until(lambda: faults.struck)
            await until(lambda: x_server.keys_down() == [])
            await until(lambda: keys.guard_pid not in (None, first) and not keys.unready())
        await until(lambda: keys.send(act(Press(("c",)))))
        await until(lambda: ("up", "c") in recorder.told())
        assert x_server.keys_down() == []
        assert recorder.told().count(("down", "b")) <= 1


async def test_a_pipe_that_takes_half_of_each_write_loses_nothing(recorder: components.KeyRecorder) -> None:
    async with at_work() as keys:
        guard = keys.guard_pid
        with failing(
            "write", None, from_call=1, short=True, concerns=lambda given: b'"do"' in bytes(given[1])
        ) as faults:
            for letter in "bridge":
                assert keys.send(act(Press((letter,))))
            await until(lambda: ("up", "e") in recorder.told())
        assert faults.struck
        assert [name for what, name in recorder.told() if what == "down"] == list("bridge")
        assert keys.guard_pid == guard


@pytest.mark.parametrize("number", [errno.EMFILE, errno.EAGAIN, errno.ENOMEM])
async def test_a_guard_that_cannot_be_started_is_started_once_it_can(
    number: int, recorder: components.KeyRecorder, x_server: components.XServer
) -> None:
    """No descriptor, process or memory left at the moment at which the guard is killed in a hold."""
    async with at_work() as keys:
        keys.send(act(KeyDown(("Space",), 30.0)))
        await until(lambda: ("down", "space") in recorder.told())
        assert keys.guard_pid is not None
        with failing("create_subprocess_exec", number, from_call=1, to_call=2, module=asyncio) as faults:
            os.kill(keys.guard_pid, 9)
            await until(lambda: faults.struck == 1)
            assert os.strerror(number) in keys.unready() or "not there" in keys.unready()
            assert not keys.send(act(Press(("b",))))
            await until(lambda: x_server.keys_down() == [])
        await until(lambda: not keys.unready())
        await until(lambda: keys.send(act(Press(("c",)))))
        await until(lambda: ("up", "c") in recorder.told())
        assert ("down", "b") not in recorder.told()


# -- the broker's connection ------------------------------------------------------------------------


@pytest.mark.parametrize("call", range(1, 9))
@pytest.mark.parametrize(("number", "short"), [(errno.EPIPE, False), (errno.ECONNRESET, True)])
async def test_a_connection_to_the_broker_that_breaks_loses_no_confirmed_message(
    call: int, number: int, short: bool, broker: components.Broker
) -> None:
    """The n-th write to the broker fails, before or within a packet: at QoS 1 all of it arrives."""
    subscriber = components.Subscriber(broker.port, qos=0).start()  # which itself has nothing more to send
    output = MqttOutput("lamp", make_broker("127.0.0.1", broker.port), source="tests")
    wanted = [f"message {n}" for n in range(6)]
    try:
        with failing(
            "send",
            number,
            from_call=call,
            to_call=call,
            module=socket.socket,
            short=short,
            concerns=_about(broker.port),
        ) as faults:
            await output.open()
            await until(lambda: output.connected)
            for text in wanted:
                assert output.send(act(Publish("t", text, 1, False)))
                await asyncio.sleep(0.02)
            await until(lambda: {got.payload for got in subscriber.on("t")} == set(wanted))
        assert faults.struck
        assert output.counts.dropped == 0
    finally:
        await output.close()
        subscriber.stop()


async def test_writes_of_half_a_packet_each_lose_nothing(
    broker: components.Broker, subscriber: components.Subscriber
) -> None:
    output = MqttOutput("lamp", make_broker("127.0.0.1", broker.port), source="tests")
    try:
        with failing(
            "send", None, from_call=1, module=socket.socket, short=True, concerns=_about(broker.port)
        ) as faults:
            await output.open()
            for n in range(5):
                output.send(act(Publish("t", f"{n}" * 500, 1, False)))
            await until(lambda: len(subscriber.on("t")) == 5)
        assert faults.struck > 5
        assert output.connections == 1
    finally:
        await output.close()


@pytest.mark.parametrize(
    ("function", "module"),
    [("create_connection", socket), ("_socketpair_compat", paho.mqtt.client)],
    ids=["for the connection", "for the network thread"],
)
async def test_no_descriptor_left_for_the_broker(
    function: str, module: Any, broker: components.Broker, subscriber: components.Subscriber
) -> None:
    output = MqttOutput("lamp", make_broker("127.0.0.1", broker.port), source="tests")
    try:
        with failing(function, errno.EMFILE, from_call=1, to_call=2, module=module) as faults:
            await output.open()
            assert output.send(act(Publish("t", "x", 1, False)))
            await until(lambda: output.connected)
        assert faults.struck == 2
        await until(lambda: [got.payload for got in subscriber.on("t")] == ["x"])
    finally:
        await output.close()


# -- OSC over TCP -----------------------------------------------------------------------------------


async def test_an_osc_connection_that_breaks_is_made_again() -> None:
    got: list[bytes] = []

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(1000):
            got.append(data)
        writer.close()

    server = await asyncio.start_server(take, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    output = OscOutput("sound", "127.0.0.1", port, protocol="tcp")
    await output.open()
    try:
        with failing(
            "send", errno.EPIPE, from_call=2, to_call=2, module=socket.socket, concerns=_about(port)
        ) as faults:
            assert output.send(act(SendOsc("/x", (1,))))
            assert output.send(act(SendOsc("/x", (2,))))
            await until(lambda: faults.struck)
            await until(lambda: output.send(act(SendOsc("/x", (3,)))))
            await until(lambda: b"".join(got).count(slip.END) >= 4)
        assert [part[-1] for part in b"".join(got).split(slip.END) if part] == [1, 3]
    finally:
        await output.close()
        server.close()
