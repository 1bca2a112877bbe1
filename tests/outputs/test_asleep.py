"""The computer slept: what was decided before that is old, though the monotonic clock stood still (simulated)."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import components
import pytest
import trials

from bridge.outputs import mqtt
from bridge.outputs.mqtt import MqttOutput, make_broker
from bridge.rules.actions import Action, Publish

FOLDER = Path(__file__).parents[1] / "asleep"
SLEPT_S = 40.0


class Computer:
    """What the processes of the test are told of its sleep."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.file.write_text("0")

    @property
    def environment(self) -> dict[str, str]:
        return {"PYTHONPATH": str(FOLDER), "TESTS_ASLEEP": str(self.file)}

    def sleep(self) -> None:
        self.file.write_text(str(SLEPT_S))


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path / "asleep")


@pytest.fixture
def holder(x_server: components.XServer, computer: Computer) -> Iterator[trials.Holder]:
    holder = trials.Holder({**x_server.environment, **computer.environment})
    yield holder
    holder.close()


def test_a_key_that_waited_in_the_pipe_is_not_pressed(
    holder: trials.Holder, recorder: components.KeyRecorder, computer: Computer
) -> None:
    holder.say("press")
    recorder.wait("up", "b")
    os.kill(holder.guard_pid, signal.SIGSTOP)
    holder.say("press a")
    time.sleep(0.1)
    computer.sleep()
    os.kill(holder.guard_pid, signal.SIGCONT)
    holder.say("press c")
    recorder.wait("up", "c")
    assert ("down", "a") not in recorder.told()


async def test_messages_that_waited_for_the_broker_are_dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker = components.Broker.make(tmp_path / "broker")
    output = MqttOutput("lamp", make_broker("127.0.0.1", broker.port), source="tests")
    real = mqtt.now_s
    try:
        await output.open()
        for number in range(5):
            assert output.send(Action(0.0, "rule", "lamp", Publish("t", f"old {number}", 1, False)))
        monkeypatch.setattr(mqtt, "now_s", lambda: real() + SLEPT_S)
        broker.start()
        subscriber = await asyncio.to_thread(components.Subscriber(broker.port, "t").start)
        async with asyncio.timeout(10):
            while not output.connected:
                await asyncio.sleep(0.01)
        assert output.send(Action(0.0, "rule", "lamp", Publish("t", "new", 1, False)))
        await asyncio.to_thread(components.until, lambda: subscriber.got, "the new message")
        assert [each.payload for each in subscriber.got] == ["new"]
        assert output.counts.dropped == 5
        subscriber.stop()
    finally:
        await output.close()
        broker.stop()
