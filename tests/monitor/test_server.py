"""Who is let in, what is refused, what a page is sent. A WebSocket's closing codes: RFC 6455, 7.4.1."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import struct
from collections.abc import Awaitable, Callable
from typing import Any

import aiohttp
import numpy as np
import pytest

from bridge.monitor import Monitor, Service
from bridge.outputs.standing import Standing
from bridge.pipeline import DetectionChain, Pipeline
from bridge.trust.listener import most_strangers

from .rig import Rig, SmallEngine, running

PAGE = ["/", "/status", "/app.js", "/style.css", "/live"]


def on_rig(check: Callable[[Rig, aiohttp.ClientSession, str], Awaitable[None]], **options: Any) -> None:
    """Run ``check`` against a served rig; the address comes without the token."""

    async def main() -> None:
        async with running(**options) as rig, aiohttp.ClientSession() as session:
            await asyncio.wait_for(check(rig, session, rig.link.split("?")[0].rstrip("/")), 30)

    asyncio.run(main())


async def connect(
    rig: Rig, session: aiohttp.ClientSession, link: str | None = None, **start: Any
) -> aiohttp.ClientWebSocketResponse:
    address, _, token = (link or rig.link).partition("?token=")
    live = await session.ws_connect(address + "live", max_msg_size=0)
    await live.send_json({"type": "start", "token": token, **start})
    return live


async def closing_code(socket: aiohttp.ClientWebSocketResponse) -> int | None:
    async for _ in socket:
        pass
    return socket.close_code


def columns_of(frame: bytes) -> tuple[int, int, int]:
    """First column, columns and rows of a frame's only section."""
    head = struct.unpack_from("<BBHIddIHH", frame)
    return int(head[4]), head[6], head[7]


class TestAccess:
    def test_without_a_token_nothing_is_told(self) -> None:
        """Only the page's own text, the same on every computer, is there for everybody."""

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            for path in ("/status", "/metrics", "/nothing", "/"):
                async with session.get(address + path) as answer:
                    assert answer.status == 401, path
                    assert answer.headers["WWW-Authenticate"] == "Bearer"
                    assert rig.info.channels[0].name not in await answer.text()

        on_rig(check, live=False)

    @pytest.mark.parametrize("query", ["?token=", "?token=wrong", "?token=%00%ff", "?token=" + "x" * 3000])
    def test_a_wrong_token_is_refused_everywhere(self, query: str) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            async def status(path: str) -> int:
                async with session.get(address + path + query) as answer:
                    return answer.status

            assert set(await asyncio.gather(*map(status, ["/", "/status", "/app.js", "/live"]))) == {401}

        on_rig(check, live=False)

    def test_no_cookie_is_set_and_none_is_asked_for(self) -> None:
        """RFC 6265, 8.5: a cookie goes to every port of a host, so another service could have used it."""

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            token = rig.link.partition("token=")[2]
            for path in ("/", "/status", "/app.js"):
                async with session.get(address + path + f"?token={token}") as answer:
                    assert answer.status == 200
                    assert "Set-Cookie" not in answer.headers
            port = address.rpartition(":")[2]
            for name in (f"bridge-{port}", "token"):
                async with session.get(address + "/status", headers={"Cookie": f"{name}={token}"}) as answer:
                    assert answer.status == 401
                socket = await session.ws_connect(
                    address + "/live", origin=address, headers={"Cookie": f"{name}={token}"}
                )
                await socket.send_json({"type": "start"})
                assert await closing_code(socket) == 4401
            assert rig.heard == []

        on_rig(check, live=False)

    def test_the_token_in_the_header_does_as_well(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            token = rig.link.partition("token=")[2]
            async with session.get(
                address + "/status", headers={"Authorization": f"Bearer {token}"}
            ) as answer:
                assert answer.status == 200
            async with session.get(address + "/status", headers={"Authorization": "Bearer wrong"}) as answer:
                assert answer.status == 401

        on_rig(check, live=False)

    @pytest.mark.parametrize(
        "first",
        [
            {"type": "start"},
            {"type": "start", "token": "wrong"},
            {"type": "start", "token": "x" * 5000},
            {"type": "arm", "armed": True},
            {"type": "pause", "paused": True},
        ],
    )
    def test_a_socket_says_who_it_is_first(self, first: dict[str, Any]) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await session.ws_connect(address + "/live")
            await socket.send_json(first)
            await socket.send_json({"type": "arm", "armed": True})
            message = await socket.receive()
            assert message.type in (
                aiohttp.WSMsgType.CLOSE,
                aiohttp.WSMsgType.CLOSED,
                aiohttp.WSMsgType.ERROR,
            )
            assert rig.heard == []

        on_rig(check, live=False)

    def test_a_socket_that_says_nothing_does_not_stay(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("bridge.monitor.server.PATIENCE_S", 0.2)

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await session.ws_connect(address + "/live")
            assert await asyncio.wait_for(closing_code(socket), 5) == 4401

        on_rig(check, live=False)

    def test_guesses_wait_and_the_owner_does_not(self) -> None:
        """An hour of trying gave 300,000 guesses before; now a dozen take as long as it takes to see them."""

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            async def guess(number: int) -> None:
                async with session.get(f"{address}/status?token=guess-{number}") as answer:
                    assert answer.status == 401

            loop = asyncio.get_running_loop()
            begun = loop.time()
            guessing = [asyncio.ensure_future(guess(number)) for number in range(5)]
            await asyncio.sleep(0.05)
            async with session.get(rig.link.replace("/?", "/status?")) as answer:
                assert answer.status == 200
            # It was answered while guesses made before it were still waiting.
            assert not all(each.done() for each in guessing)
            await asyncio.gather(*guessing)
            assert loop.time() - begun >= 0.1 * 2**4

        on_rig(check, live=False)

    @pytest.mark.parametrize(
        "junk",
        [b"\x16\x03\x01\x02\0\x01\0\x01", b"GET\r\n\r\n", b"GET / HTTP/1.1\r\nHost: a\r\nb\0: c\r\n\r\n",
         b"GET / HTTP/1.1\r\n" + b"x" * 100_000 + b"\r\n\r\n", b"POST / HTTP/1.1\r\nContent-Length: -1\r\n\r\n"],
        ids=["TLS", "no version", "NUL", "endless line", "length"],
    )  # fmt: skip
    def test_what_is_no_http_is_told_in_one_line(self, junk: bytes, caplog: pytest.LogCaptureFixture) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            reader, writer = await asyncio.open_connection("127.0.0.1", rig.monitor.port)
            writer.write(junk)
            with contextlib.suppress(ConnectionError):
                await reader.read()
            writer.close()
            async with session.get(rig.link) as answer:
                assert answer.status == 200

        on_rig(check, live=False)
        assert all(record.exc_info is None for record in caplog.records)
        assert all("\n" not in record.getMessage() for record in caplog.records)
        assert len([record for record in caplog.records if record.levelname == "WARNING"]) <= 1

    def test_metrics_are_given_to_who_has_the_token(self) -> None:
        async def main() -> None:
            service = Service(
                pipeline=lambda: None, standing=Standing, pause=lambda paused: "", arm=print,
                metrics=lambda: (b"bridge_samples_total 1.0\n", "text/plain; version=0.0.4"),
            )  # fmt: skip
            monitor = Monitor(service)
            link = await monitor.start()
            async with aiohttp.ClientSession() as session:
                async with session.get(link.replace("/?", "/metrics?")) as answer:
                    assert await answer.text() == "bridge_samples_total 1.0\n"
                for given in ({"Host": "evil.example"}, {}):
                    url = link.split("?")[0] + "metrics"
                    async with session.get(url, headers=given) as answer:
                        assert answer.status == (403 if given else 401)
            await monitor.stop()

        asyncio.run(main())

    def test_a_flood_of_half_open_requests_leaves_room(self) -> None:
        """Connections that never say who they are: few at once, and the owner gets in meanwhile."""

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            before = len(os.listdir("/proc/self/fd"))
            halves = []
            for _ in range(300):
                half = socket.socket()
                half.setblocking(False)
                with contextlib.suppress(OSError):
                    half.connect(("127.0.0.1", rig.monitor.port))
                halves.append(half)
                await asyncio.sleep(0.002)
            for half in halves:
                with contextlib.suppress(OSError):
                    half.send(b"GET /status HTTP/1.1\r\n")
            await asyncio.sleep(0.3)
            listener = rig.monitor._listener
            assert listener is not None
            assert listener.strangers <= most_strangers()
            assert len(os.listdir("/proc/self/fd")) - before - len(halves) <= most_strangers() + 2
            async with session.get(rig.link.replace("/?", "/status?")) as answer:
                assert answer.status == 200
            for half in halves:
                half.close()

        on_rig(check, live=False)

    def test_every_answer_carries_a_strict_policy(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            for url in (rig.link, address + "/", rig.link.replace("/?", "/nothing?")):
                async with session.get(url) as answer:
                    policy = answer.headers["Content-Security-Policy"]
                    assert "default-src 'none'" in policy
                    assert "unsafe" not in policy
                    assert "frame-ancestors 'none'" in policy
                    assert answer.headers["X-Content-Type-Options"] == "nosniff"
                    assert answer.headers["Referrer-Policy"] == "no-referrer"
                    assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"
                    assert "Access-Control-Allow-Origin" not in answer.headers

        on_rig(check, live=False)

    @pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example"])
    def test_another_name_for_this_host_is_refused(self, host: str) -> None:
        """DNS rebinding: a site whose name is made to point here."""

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            for path in PAGE:
                url = rig.link.replace("/?", path + "?")
                async with session.get(url, headers={"Host": host}) as answer:
                    assert answer.status == 403

        on_rig(check, live=False)

    @pytest.mark.parametrize(
        "origin", ["http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1:1"]
    )
    def test_a_socket_from_another_page_is_refused(self, origin: str) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(address + "/live", origin=origin)
            assert refused.value.status == 403

        on_rig(check, live=False)

    def test_only_the_pages_own_files_are_served(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            token = rig.link.partition("?")[2]
            for path in ("/server.py", "/..%2fserver.py", "/%2e%2e/server.py", "/page/app.js", "//app.js"):
                async with session.get(f"{address}{path}?{token}") as answer:
                    assert answer.status == 404, path
            async with session.post(rig.link, data=b"x") as answer:
                assert answer.status == 405

        on_rig(check, live=False)

    @pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "example.org", ""])
    def test_it_listens_on_loopback_only(self, host: str) -> None:
        service = Service(
            pipeline=lambda: None, standing=lambda: Standing(armed=True), pause=lambda paused: "", arm=print
        )
        with pytest.raises(ValueError, match="loopback"):
            Monitor(service, host=host)


class TestMessages:
    def end(self, *sent: str | bytes, start: bool = True) -> int | None:
        """How the connection ends after these frames."""
        found: list[int | None] = []

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session)
            for frame in sent:
                if isinstance(frame, bytes):
                    await socket.send_bytes(frame)
                else:
                    await socket.send_str(frame)
            found.append(await asyncio.wait_for(closing_code(socket), 10))
            assert rig.heard == []
            # Others are still served.
            other = await connect(rig, session)
            assert (await other.receive_json())["type"] == "hello"
            await other.close()

        on_rig(check)
        return found[0]

    def test_an_oversized_frame(self) -> None:
        assert self.end(json.dumps({"type": "pause", "paused": True, "x": "x" * 100_000})) == 1009

    @pytest.mark.parametrize("text", ["{", '{"type":"nothing"}', '{"type":"pause","paused":"yes"}'])
    def test_a_malformed_frame(self, text: str) -> None:
        assert self.end(text) == 1008

    def test_a_binary_frame(self) -> None:
        assert self.end(b"\x01\x02") == 1003

    def test_a_flood(self) -> None:
        assert self.end(*['{"type":"view","visible":true}'] * 200) == 1008

    def test_the_control_link_steers(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session)
            await socket.send_json({"type": "pause", "paused": True})
            await socket.send_json({"type": "pause", "paused": False})
            await socket.send_json({"type": "arm", "armed": False})
            states = []
            while states[-1:] != ["disarmed"]:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.TEXT and '"now"' in message.data:
                    states.append(json.loads(message.data)["state"])
            assert rig.heard == [("pause", True), ("pause", False), ("arm", False)]

        on_rig(check)

    def test_the_read_only_link_steers_nothing(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session, rig.monitor.read_only_link)
            hello = await socket.receive_json()
            assert hello["control"] is False
            asked = [
                {"type": "pause", "paused": True},
                {"type": "arm", "armed": True},
                {"type": "keep", "detector": "blink", "settings": {"threshold": 1.0}},
                {"type": "tune", "id": 1, "stream": "", "detector": "blink", "settings": {}},
            ]
            for message in asked:
                await socket.send_json(message)
            refused = 0
            while refused < len(asked):
                received = await socket.receive()
                if received.type is aiohttp.WSMsgType.TEXT:
                    refused += json.loads(received.data)["type"] == "refused"
            assert rig.heard == []
            assert rig.kept == {}

        on_rig(check)


class TestWhatIsSent:
    def test_a_page_gets_the_past_then_what_comes(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session)
            hello = await socket.receive_json()
            assert hello["type"] == "hello"
            assert [c["name"] for c in hello["streams"][0]["channels"]] == [c.name for c in rig.info.channels]
            assert {d["type"] for d in hello["streams"][0]["detectors"]} == {
                "blink",
                "gaze",
                "contraction",
                "heartbeat",
            }
            entries: list[dict[str, Any]] = []
            next_column = 0
            kinds = set()
            while next_column < 21 * rig.info.rate:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    first, count, rows = columns_of(message.data)
                    assert first == next_column
                    assert rows == 4 + 3 * 4
                    next_column = first + count
                else:
                    plain = json.loads(message.data)
                    kinds.add(plain["type"])
                    entries.extend(plain.get("entries", ()))
            assert kinds == {"rules", "now", "log"}
            assert [entry["id"] for entry in entries] == list(range(1, len(entries) + 1))
            by_id = {entry["id"]: entry for entry in entries}
            presses = [entry for entry in entries if entry["is"] == "action" and "press" in entry["words"]]
            assert presses
            assert all(by_id[entry["cause"]]["kind"] == "blink" for entry in presses)

        on_rig(check)

    def test_the_values_are_the_signal(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session)
            while True:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    break
            _, count, rows = columns_of(message.data)
            values = np.frombuffer(message.data, "<f4", offset=32).reshape(rows, count)
            twin = Rig(seed=rig.seed)
            expected = twin.person.generate(count).T
            assert np.allclose(values[:4], expected, rtol=1e-6, atol=1e-3)
            assert np.isfinite(values[4:, -200:]).any(axis=1).sum() >= 8  # conditioned signals and thresholds

        on_rig(check, live=False)

    def test_a_page_that_comes_back_goes_on_where_it_was(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session)
            hello = await socket.receive_json()
            have = 0
            log = 0
            while have < 20 * rig.info.rate:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    first, count, _ = columns_of(message.data)
                    have = first + count
                elif '"log"' in message.data:
                    log = json.loads(message.data)["entries"][-1]["id"]
            await socket.close()
            await asyncio.sleep(0.2)
            again = await connect(
                rig, session, boot=hello["boot"], layout=hello["layout"], epochs=[0], columns=[have], log=log
            )
            while True:
                message = await again.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    break
                assert '"hello"' not in message.data
            assert columns_of(message.data)[0] == have
            # Another daemon's place means nothing here: everything from the start.
            other = await connect(rig, session, boot="other", layout=1, epochs=[0], columns=[have], log=log)
            assert (await other.receive_json())["type"] == "hello"

        on_rig(check)

    @pytest.mark.parametrize("columns", [[-5], [10**15], [1, 2, 3], []])
    def test_a_page_that_lies_about_its_place_harms_nobody(self, columns: list[int]) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            hello = await (await connect(rig, session)).receive_json()
            liar = await connect(
                rig, session, boot=hello["boot"], layout=hello["layout"], epochs=[0], columns=columns
            )
            await asyncio.sleep(0.2)
            honest = await connect(rig, session)
            assert (await honest.receive_json())["type"] == "hello"
            await liar.close()

        on_rig(check)

    def test_a_hidden_page_is_sent_nothing_and_catches_up(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session)
            have = 0
            while have < 20 * rig.info.rate:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    first, count, _ = columns_of(message.data)
                    have = first + count
            await socket.send_json({"type": "view", "visible": False})
            # What was on its way still comes; then silence while the signal goes on.
            quiet = False
            while not quiet:
                try:
                    message = await socket.receive(timeout=0.6)
                except TimeoutError:
                    quiet = True
                else:
                    if message.type is aiohttp.WSMsgType.BINARY:
                        first, count, _ = columns_of(message.data)
                        have = first + count
            assert rig.first - have > 0.4 * rig.info.rate
            await socket.send_json({"type": "view", "visible": True})
            while True:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    break
            first, count, _ = columns_of(message.data)
            assert first == have
            assert count > 0.4 * rig.info.rate

        on_rig(check)

    def test_other_detectors_lay_the_page_out_anew(self) -> None:
        """New rules can bring another pipeline while the page is open."""

        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            socket = await connect(rig, session)
            assert len((await socket.receive_json())["streams"][0]["detectors"]) == 4
            chain = DetectionChain(rig.info, rig.bindings[:1])
            rig.pipeline = Pipeline({"": chain}, SmallEngine())
            while True:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.TEXT and '"hello"' in message.data:
                    break
            assert len(json.loads(message.data)["streams"][0]["detectors"]) == 1
            while True:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    break
            assert columns_of(message.data)[2] == 4 + 3

        on_rig(check)

    def test_the_status_is_plain_json(self) -> None:
        async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
            async with session.get(rig.link.replace("/?", "/status?")) as answer:
                assert answer.content_type == "application/json"
                status = json.loads(await answer.text())
            assert status["state"] == "armed"
            assert status["streams"][0]["samples"] == rig.first
            assert status["events"]["heartbeat"] > 10
            assert status["actions"] == {"sent": sum(status["actions"].values())}
            assert status["rules"]["problems"] == list(rig.rules.problems)
            assert {channel["verdict"] for channel in status["streams"][0]["channels"]} <= {
                "good",
                "poor",
                "bad",
            }

        on_rig(check, live=False)

    def test_without_a_source_the_page_waits(self) -> None:
        async def main() -> None:
            service = Service(pipeline=lambda: None, standing=Standing, pause=lambda paused: "", arm=print)
            monitor = Monitor(service)
            link = await monitor.start()
            async with aiohttp.ClientSession() as session:
                async with session.get(link.replace("/?", "/status?")) as answer:
                    assert (await answer.json())["streams"] == []
                address, _, token = link.partition("?token=")
                socket = await session.ws_connect(address + "live")
                await socket.send_json({"type": "start", "token": token})
                code = asyncio.ensure_future(closing_code(socket))
                await asyncio.sleep(0.1)
                await monitor.stop()
                assert await code == 1001
            await monitor.stop()

        asyncio.run(main())


def test_many_pages_and_one_that_stalls() -> None:
    """All pages get every column; the stalled one is neither waited for nor queued up for."""

    async def check(rig: Rig, session: aiohttp.ClientSession, address: str) -> None:
        stalled = await connect(rig, session)
        stalled_transport = stalled._response.connection.transport  # type: ignore[union-attr]
        stalled_transport.pause_reading()
        pages = [await connect(rig, session) for _ in range(10)]

        async def watch(socket: aiohttp.ClientWebSocketResponse) -> int:
            have = 0
            end = 23 * rig.info.rate
            while have < end:
                message = await socket.receive()
                if message.type is aiohttp.WSMsgType.BINARY:
                    first, count, _ = columns_of(message.data)
                    assert first == have
                    have = first + count
            return have

        ends = await asyncio.gather(*(watch(socket) for socket in pages))
        assert len(ends) == 10
        alone = sorted(rig.latencies_s)
        print(f"median lateness with 10 pages: {1e3 * alone[len(alone) // 2]:.2f} ms")
        stalled_transport.resume_reading()

    on_rig(check)
