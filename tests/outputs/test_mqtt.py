"""MQTT with a real broker and a client by another hand: status, CloudEvents, TLS, passwords, limits, restarts."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import components
import pytest
from broker_restarts import AGE_S, SLACK_S, stream
from waiting import until

from bridge.outputs.mqtt import LARGEST_PAYLOAD, MqttOutput, make_broker
from bridge.outputs.protocol import OutputError
from bridge.rules.actions import Action, Press, Publish
from bridge.signals.types import Event, Level
from bridge.trust.login import Login, Place

BLINK = Event("blink", "instant", 12.25, 12.5, "forehead", {"amplitude": 120.0}, 0.9, "blink")


def act(
    topic: str = "lab/blink", payload: str | None = None, *, retain: bool = False, qos: int = 1
) -> Action:
    return Action(12.5, "a rule", "lamp", Publish(topic, payload, qos, retain), cause=BLINK)


def output_for(port: int, **options: object) -> MqttOutput:
    return MqttOutput("lamp", make_broker("127.0.0.1", port, **options), source="desk")  # type: ignore[arg-type]


def login_for(**known: Any) -> Login:
    return Login("lamp", (Place("127.0.0.1"),), **known)


async def test_an_event_is_a_cloud_event(
    broker: components.Broker, subscriber: components.Subscriber
) -> None:
    """CloudEvents 1.0: the required attributes, their types, and the JSON format's content type."""
    output = output_for(broker.port)
    await output.open()
    before = time.time()
    assert output.send(act())
    await until(lambda: subscriber.on("lab/blink"))
    await output.close()
    (got,) = subscriber.on("lab/blink")
    event = json.loads(got.payload)
    assert {"id", "source", "specversion", "type"} <= set(event)
    assert event["specversion"] == "1.0"
    assert (event["source"], event["type"]) == ("desk", "biosignal-bridge.blink.instant")
    # RFC 3339; the onset lies 0.25 s before the decision.
    assert datetime.fromisoformat(event["time"]).timestamp() == pytest.approx(before - 0.25, abs=0.2)
    assert event["data"]["values"] == {"amplitude": 120.0}
    assert got.properties.ContentType.startswith("application/cloudevents+json")
    assert not got.retain


async def test_status_is_retained_and_the_will_tells_of_a_death(
    broker: components.Broker, subscriber: components.Subscriber
) -> None:
    topic = "biosignal-bridge/status"

    def last() -> str:
        return subscriber.on(topic)[-1].payload if subscriber.on(topic) else ""

    output = output_for(broker.port)
    await output.open()
    await until(lambda: last() == "online")
    output.announce("paused")
    await until(lambda: last() == "paused")
    late = components.Subscriber(broker.port, topic).start()
    await until(lambda: late.on(topic))
    assert (late.got[0].payload, late.got[0].retain) == ("paused", True)
    output.announce("armed")
    await until(lambda: last() == "online")
    # The connection breaks without a goodbye: the broker publishes the will.
    assert output._link is not None
    sock = output._link._client.socket()
    assert sock is not None
    sock.shutdown(socket.SHUT_RDWR)
    await until(lambda: [each.payload for each in subscriber.on(topic)].count("offline") == 1)
    await until(lambda: last() == "online")  # it comes back by itself
    await output.close()
    await until(lambda: last() == "offline")
    late.stop()


async def test_only_what_a_rule_publishes_itself_is_retained_and_never_an_event(
    broker: components.Broker, subscriber: components.Subscriber
) -> None:
    output = output_for(broker.port)
    await output.open()
    level = Level("heart-rate", 3.0, 70.0, "chest", "heartbeat")
    output.send(act("lab/event", "now", retain=True))
    output.send(Action(3.0, "a level", "lamp", Publish("lab/rate", "70", 1, True), cause=level))
    await until(lambda: subscriber.on("lab/rate") and subscriber.on("lab/event"))
    late = components.Subscriber(broker.port, "lab/#").start()
    await until(lambda: late.got)
    await asyncio.sleep(0.1)
    await output.close()
    late.stop()
    assert [(each.topic, each.payload) for each in late.got] == [("lab/rate", "70")]


async def test_tls_with_the_right_authority(tmp_path: Path) -> None:
    made = components.certificates(tmp_path / "tls")
    broker = components.Broker.make(tmp_path / "broker", *made.lines).start()
    output = output_for(broker.port, tls=True, login=login_for(ca_file=made.authority))
    await output.open()
    await until(lambda: output.connected)
    assert output.send(act())
    await until(lambda: "Received PUBLISH" in broker.log())
    await output.close()
    broker.stop()


@pytest.mark.parametrize("what", ["another authority", "another host", "not encrypted"])
async def test_a_certificate_that_is_wrong_is_refused_with_the_reason(tmp_path: Path, what: str) -> None:
    host = "broker.example" if what == "another host" else "127.0.0.1"
    made = components.certificates(tmp_path / "tls", host)
    trusted = components.certificates(tmp_path / "other") if what == "another authority" else made
    lines = ("allow_anonymous true",) if what == "not encrypted" else made.lines
    broker = components.Broker.make(tmp_path / "broker", *lines).start()
    output = output_for(broker.port, tls=True, login=login_for(ca_file=trusted.authority))
    await output.open()
    await until(lambda: output.counts.problem)
    assert output.send(act())  # it waits; the broker may be mended
    await asyncio.sleep(0.3)
    problem = output.counts.problem
    await output.close()
    assert f"127.0.0.1:{broker.port}" in problem
    assert any(word in problem.lower() for word in ("certificate", "tls", "ssl")), problem
    assert output.counts.sent == 0
    assert "PUBLISH" not in broker.log()
    broker.stop()


def test_an_authority_that_is_no_certificate_is_told(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    with pytest.raises(OutputError, match=r"ca\.pem cannot be used"):
        make_broker("broker.example", 8883, tls=True, login=login_for(ca_file=tmp_path / "ca.pem"))


@pytest.mark.parametrize("password", ["right", "wrong"])
async def test_a_password(tmp_path: Path, password: str) -> None:
    lines = components.password_lines(tmp_path / "broker", "desk", "right")
    broker = components.Broker.make(tmp_path / "broker", *lines).start()
    output = output_for(broker.port, login=login_for(username="desk", password=password))
    await output.open()
    if password == "right":
        await until(lambda: output.connected)
    else:
        await until(lambda: output.counts.problem)
        assert not output.connected
        told = output.counts.problem.lower()
        assert "user" in told or "password" in told or "authori" in told, told
        assert "wrong" not in told, "the password must not be told"
    await output.close()
    broker.stop()


# MQTT 5.0, 4.7: no wildcards in a topic name, at least one character, no U+0000, at most 65,535 bytes.
@pytest.mark.parametrize("topic", ["lab/+/blink", "lab/#", "", "lab/\0", "x" * 65_536])
async def test_topics_that_the_standard_forbids_are_refused(broker: components.Broker, topic: str) -> None:
    output = output_for(broker.port)
    await output.open()
    await until(lambda: output.connected)
    assert not output.send(act(topic))
    assert output.counts.refused == 1
    assert output.counts.problem
    assert output.connected, "the broker has not thrown us out"
    await output.close()


async def test_a_payload_over_the_limit_is_refused_and_one_at_the_limit_goes(
    broker: components.Broker, subscriber: components.Subscriber
) -> None:
    output = output_for(broker.port)
    await output.open()
    assert not output.send(act(payload="x" * (LARGEST_PAYLOAD + 1)))
    assert str(LARGEST_PAYLOAD) in output.counts.problem
    assert output.send(act(payload="x" * LARGEST_PAYLOAD))
    await until(lambda: subscriber.on("lab/blink"))
    await output.close()
    assert len(subscriber.on("lab/blink")[0].payload) == LARGEST_PAYLOAD


async def test_keystrokes_are_not_for_a_broker(broker: components.Broker) -> None:
    output = output_for(broker.port)
    await output.open()
    assert not output.send(Action(0.0, "a rule", "lamp", Press("a")))
    await output.close()


async def test_old_commands_are_not_replayed_when_the_broker_comes_back(tmp_path: Path) -> None:
    broker = components.Broker.make(tmp_path / "broker")
    made = make_broker("127.0.0.1", broker.port)
    output = MqttOutput("lamp", made, source="desk", longest_age_s=1.0)
    await output.open()
    for _ in range(5):
        assert output.send(act("lab/old", "old"))
    await asyncio.sleep(1.2)
    broker.start()
    heard = components.Subscriber(broker.port, "lab/#").start()
    await until(lambda: output.connected, 20)
    assert output.send(act("lab/new", "new"))
    await until(lambda: heard.on("lab/new"))
    await output.close()
    heard.stop()
    broker.stop()
    assert heard.on("lab/old") == []
    assert output.counts.dropped == 5


async def test_a_broker_that_comes_and_goes(tmp_path: Path) -> None:
    """Two restarts; twenty are in tests/bench/broker_restarts.py."""
    told = await stream(tmp_path, 2)
    assert told["connections"] == 3
    assert told["arrived_twice_unmarked"] == 0
    assert told["oldest_s"] <= AGE_S + SLACK_S
    assert told["arrived"] >= 100
    # Nothing vanishes without a word: what did not arrive was dropped and counted, or the subscriber was away.
    assert told["dropped_by_age_or_room"] + told["arrived"] <= told["sent"] + told["resent_marked"]


async def test_a_broker_that_answers_nothing_is_no_hang() -> None:
    """A port that accepts and says nothing: `open` returns, `send` never waits, `close` is quick."""
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen()
        output = output_for(deaf.getsockname()[1])
        begun = time.monotonic()
        await output.open()
        assert output.send(act())
        assert not output.connected
        await output.close()
        assert time.monotonic() - begun < 8


async def test_a_broker_that_is_stopped_in_its_tracks_does_not_block(
    broker: components.Broker,
) -> None:
    output = output_for(broker.port)
    await output.open()
    await until(lambda: output.connected)
    assert broker.process is not None
    os.kill(broker.process.pid, signal.SIGSTOP)
    try:
        slowest = 0.0
        for _ in range(200):
            begun = time.monotonic()
            output.send(act())
            slowest = max(slowest, time.monotonic() - begun)
            await asyncio.sleep(0)
        assert slowest < 0.25
        assert output.waiting <= 1000
    finally:
        os.kill(broker.process.pid, signal.SIGCONT)
    await output.close()
