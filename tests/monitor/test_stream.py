"""The local stream: server-sent events (WHATWG HTML, 9.2.6) and a WebSocket, plain and as CloudEvents 1.0."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import aiohttp
import pytest

from bridge.detectors import EVENT_TYPES, LEVEL_TYPES
from bridge.monitor.stream import _MOST_WAITING, EventStream, _Listener

from .rig import Rig, running

Check = Callable[[Rig, aiohttp.ClientSession], Awaitable[None]]


def on_rig(check: Check, **options: Any) -> None:
    async def main() -> None:
        async with running(5.0, **options) as rig, aiohttp.ClientSession() as session:
            await asyncio.wait_for(check(rig, session), 30)

    asyncio.run(main())


async def read(
    answer: aiohttp.ClientResponse, enough: Callable[[list[dict[str, Any]]], bool]
) -> list[dict[str, Any]]:
    """The objects of a stream of server-sent events: `data:` lines, ended by an empty one."""
    found: list[dict[str, Any]] = []
    while not enough(found):
        line = (await answer.content.readline()).decode()
        assert line, "the stream ended"
        if line.startswith("data: "):
            found.append(json.loads(line[6:]))
        else:
            assert line in ("\n", ":\n")
    return found


def types(found: list[dict[str, Any]]) -> set[str]:
    return {record["type"] for record in found}


def test_all_types_come_in_order_with_what_happened() -> None:
    async def check(rig: Rig, session: aiohttp.ClientSession) -> None:
        async with session.get(rig.monitor.events_link) as answer:
            assert answer.status == 200
            assert answer.headers["Content-Type"] == "text/event-stream"
            rig.blink()
            found = await read(answer, lambda found: types(found) >= {"event", "level", "action", "signal"})
        assert found[0]["type"] == "hello"
        assert found[0]["version"] == 1
        (stream,) = found[0]["streams"]
        assert stream["rate_hz"] == 250
        assert [channel["name"] for channel in stream["channels"]] == [c.name for c in rig.info.channels]
        verdicts = [record for record in found if record["type"] == "signal"]
        assert {record["channel"] for record in verdicts} == {c.name for c in rig.info.channels}
        assert {record["verdict"] for record in verdicts} <= {"good", "poor", "bad"}
        events = [record for record in found if record["type"] == "event"]
        decided = {event.to_json()["onset"] for _, event in rig.decided}
        assert all(record["kind"] in EVENT_TYPES and record["onset"] in decided for record in events)
        assert all(record["kind"] in LEVEL_TYPES for record in found if record["type"] == "level")
        action = next(record for record in found if record["type"] == "action")
        assert action["result"] == "sent"
        assert {"rule", "output", "action", "time"} < set(action)

    on_rig(check)


def test_a_blink_arrives_as_soon_as_it_is_decided() -> None:
    """Generously: within 300 ms of the call that decided it."""

    async def check(rig: Rig, session: aiohttp.ClientSession) -> None:
        socket = await session.ws_connect(rig.monitor.events_link + "&only=event")
        assert (await socket.receive_json())["type"] == "hello"
        rig.blink()
        while True:
            record = await socket.receive_json()
            assert record["type"] == "event"
            if record["kind"] == "blink":
                break
        now = datetime.now(UTC).timestamp()
        at = next(
            host for host, event in rig.decided if event.onset == record["onset"] and event.kind == "blink"
        )
        assert now - at < 0.3
        await socket.close()

    on_rig(check)


def test_cloud_events_are_as_for_mqtt() -> None:
    """Attributes that CloudEvents 1.0 requires: id, source, specversion, type; time is RFC 3339."""

    async def check(rig: Rig, session: aiohttp.ClientSession) -> None:
        async with session.get(rig.monitor.events_link + "&format=cloudevents") as answer:
            rig.blink()
            found = await read(answer, lambda found: any("blink" in one["type"] for one in found))
        assert all({"id", "source", "specversion", "type", "time", "data"} <= set(one) for one in found)
        assert len({(one["source"], one["id"]) for one in found}) == len(found)
        blink = next(one for one in found if one["type"] == "biosignal-bridge.blink.instant")
        assert blink["specversion"] == "1.0"
        assert blink["subject"] == "forehead"
        ago = datetime.now(UTC) - datetime.fromisoformat(blink["time"])
        taken = blink["data"]["decided"] - blink["data"]["onset"]
        assert (
            timedelta(0) <= ago - timedelta(seconds=taken) + timedelta(milliseconds=1) < timedelta(seconds=2)
        )
        assert {"biosignal-bridge.signal"} <= {one["type"] for one in found}

    on_rig(check)


def test_who_is_let_in() -> None:
    async def check(rig: Rig, session: aiohttp.ClientSession) -> None:
        link, _, token = rig.monitor.events_link.partition("?token=")
        for wrong in ("", "?token=wrong"):
            async with session.get(link + wrong) as answer:
                assert answer.status == 401
                assert "Access-Control-Allow-Origin" not in answer.headers
            with pytest.raises(aiohttp.WSServerHandshakeError):
                await session.ws_connect(link + wrong)
        async with session.get(f"{link}?token={token}", headers={"Host": "elsewhere.example"}) as answer:
            assert answer.status == 403
        # With the token also from a page of another origin: that is what it is for.
        origin = {"Origin": "null"}
        async with session.get(link, headers={"Authorization": f"Bearer {token}", **origin}) as answer:
            assert answer.status == 200
            assert answer.headers["Access-Control-Allow-Origin"] == "*"
            assert "Access-Control-Allow-Credentials" not in answer.headers
            assert "Set-Cookie" not in answer.headers
        socket = await session.ws_connect(f"{link}?token={token}", headers=origin)
        # What a listener says is not taken, and steers nothing.
        await socket.send_json({"type": "pause", "paused": True})
        assert (await socket.receive_json())["type"] == "hello"
        await asyncio.sleep(0.1)
        assert rig.heard == []
        await socket.close()
        for query in ("&only=event,nonsense", "&format=xml", "&only=,"):
            async with session.get(rig.monitor.events_link + query) as answer:
                assert answer.status == 400
                assert "event, level, action, signal" in await answer.text()

    on_rig(check, live=False)


def test_listeners_and_pages_share_one_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.monitor.server._MOST_PAGES", 2)

    async def check(rig: Rig, session: aiohttp.ClientSession) -> None:
        two = [await session.get(rig.monitor.events_link) for _ in range(2)]
        async with session.get(rig.monitor.events_link) as third:
            assert third.status == 503
        for answer in two:
            answer.close()
        for _ in range(100):
            await asyncio.sleep(0.05)
            if not len(rig.monitor._stream):
                break
        async with session.get(rig.monitor.events_link) as again:
            assert again.status == 200

    on_rig(check)


def test_one_that_does_not_keep_up_loses_the_oldest_and_is_told() -> None:
    listener = _Listener(frozenset({"event"}), cloud=False)
    for number in range(_MOST_WAITING + 7):
        listener.put(str(number))
    taken = listener.take()
    assert json.loads(taken[0]) == {"type": "lost", "count": 7}
    assert taken[1] == "7"
    assert len(taken) == _MOST_WAITING + 1
    assert listener.take() == []


def test_nothing_is_made_while_nobody_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Any] = []
    monkeypatch.setattr("bridge.outputs.records.of_outcome", lambda *given: made.append(given) or [])

    async def check(rig: Rig, session: aiohttp.ClientSession) -> None:
        rig.past(5)
        assert made == []
        async with session.get(rig.monitor.events_link):
            rig.past(5)
        assert made

    on_rig(check, live=False)


def test_the_end_of_the_daemon_ends_the_stream() -> None:
    async def check(rig: Rig, session: aiohttp.ClientSession) -> None:
        socket = await session.ws_connect(rig.monitor.events_link)
        answer = await session.get(rig.monitor.events_link)

        async def listen() -> int | None:
            async for _ in socket:
                pass
            return socket.close_code

        listening = asyncio.ensure_future(listen())
        await asyncio.sleep(0.1)
        await rig.monitor.stop()
        assert await listening == 1001  # going away: RFC 6455, 7.4.1
        with pytest.raises((AssertionError, aiohttp.ClientError)):
            await read(answer, lambda _: False)

    on_rig(check, live=False)


def test_the_stream_is_empty_without_listeners() -> None:
    assert isinstance(Rig().monitor._stream, EventStream)
    assert Rig().monitor.events_link == ""
