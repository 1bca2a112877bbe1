"""OSC against receivers by other hands: liblo's oscdump over UDP, plain sockets for TCP."""

from __future__ import annotations

import asyncio
import socket
import struct
import time
from datetime import UTC, datetime

import components
import pytest
from hypothesis import given
from hypothesis import strategies as st
from waiting import until

from bridge.outputs.osc import OscOutput, OscProblemError, datagram
from bridge.outputs.protocol import OutputError
from bridge.rules.actions import Action, Press, SendBundle, SendOsc
from bridge.signals.types import Event, Level

SECONDS_1900_TO_1970 = 2_208_988_800  # RFC 868 and the NTP specification


def act(what: object, cause: Event | Level | None = None, at_s: float = 0.0) -> Action:
    return Action(at_s, "a rule", "sound", what, cause=cause)  # type: ignore[arg-type]


def blink(onset: float, decided: float) -> Event:
    return Event("blink", "instant", onset, decided, "forehead", {"amplitude": 120.0})


def time_tag(raw: bytes) -> float:
    """Seconds since 1970 of a bundle's time tag, by the standard's own words (OSC 1.0, "OSC Bundles")."""
    assert raw[:8] == b"#bundle\0"
    whole, fraction = struct.unpack(">II", raw[8:16])
    return whole - SECONDS_1900_TO_1970 + fraction / 2**32


def test_the_bytes_of_the_standards_examples() -> None:
    """The two messages spelled out byte by byte in OSC 1.0, "Examples"; its i, i, s, f, f order."""
    assert datagram(SendOsc("/oscillator/4/frequency", (440.0,)), None) == (
        b"/oscillator/4/frequency\0" + b",f\0\0" + bytes((0x43, 0xDC, 0, 0))
    )
    raw = datagram(SendOsc("/foo", (1000, -1, "hello", 1.234, 5.678)), None)
    assert raw == (
        b"/foo\0\0\0\0" + b",iisff\0\0" + bytes((0, 0, 3, 0xE8, 0xFF, 0xFF, 0xFF, 0xFF)) + b"hello\0\0\0"
        + bytes((0x3F, 0x9D, 0xF3, 0xB6, 0x40, 0xB5, 0xB2, 0x2D))
    )  # fmt: skip


async def test_another_receiver_understands_types_and_bundles() -> None:
    dump = components.OscDump()
    output = OscOutput("sound", "127.0.0.1", dump.port)
    try:
        await output.open()
        assert output.send(act(SendOsc("/steer", (-1.0, 3, "left", True, False))))
        assert output.send(act(SendOsc("/blink", (0.5,)), blink(9.9, 10.0), 10.0))
        both = SendBundle((SendOsc("/a", (1,)), SendOsc("/b", ("x",))))
        assert output.send(act(both, blink(9.9, 10.0), 10.0))
        lines = await asyncio.to_thread(dump.wait, 4)
    finally:
        await output.close()
        dump.close()
    # oscdump prints the bundle's time tag, the address, the type tags and the arguments.
    said = [line.split(maxsplit=1)[1] for line in lines]
    assert said[0] == '/steer fisTF -1.000000 3 "left" #T #F'
    assert said[1:] == ["/blink f 0.500000", "/a i 1", '/b s "x"']
    assert output.counts.sent == 3


async def test_a_bundle_carries_the_onsets_time() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(5)
        output = OscOutput("sound", "127.0.0.1", receiver.getsockname()[1])
        await output.open()
        before_s = time.time()
        output.send(act(SendOsc("/blink", ()), blink(9.75, 10.0), 10.0))
        after_s = time.time()
        raw = receiver.recv(4096)
        output.send(act(SendOsc("/level", (0.25,)), Level("contraction-level", 10.0, 0.25), 10.0))
        plain = receiver.recv(4096)
        await output.close()
    assert before_s - 0.25 - 1e-3 <= time_tag(raw) <= after_s - 0.25 + 1e-3
    assert plain.startswith(b"/level\0")


async def test_nobody_there_is_counted_and_not_fatal() -> None:
    port = components.free_port(socket.SOCK_DGRAM)
    output = OscOutput("sound", "127.0.0.1", port)
    await output.open()
    for _ in range(20):
        output.send(act(SendOsc("/a", ())))
        await asyncio.sleep(0.002)
    assert output.unreachable >= 5
    assert "nobody listens" in output.counts.problem
    dump = components.OscDump(port)
    try:
        for _ in range(3):
            output.send(act(SendOsc("/b", ())))
        await asyncio.to_thread(dump.wait, 2)
    finally:
        await output.close()
        dump.close()
    assert all("/b" in line for line in dump.lines)


async def test_a_name_nobody_knows_is_not_fatal() -> None:
    output = OscOutput("sound", "no-such-host.invalid", 9000)
    await output.open()
    assert not output.send(act(SendOsc("/a", ())))
    await until(lambda: "cannot be found" in output.counts.problem)
    await output.close()
    await output.close()
    with pytest.raises(OutputError, match="no port"):
        await OscOutput("sound", "127.0.0.1", 0).open()


async def test_tcp_frames_by_slip_and_reconnects() -> None:
    port = components.free_port()
    output = OscOutput("sound", "127.0.0.1", port, protocol="tcp")
    await output.open()  # nobody there yet
    assert not output.send(act(SendOsc("/early", ())))
    assert output.unreachable == 1
    # 192 and 219 are SLIP's END and ESC (RFC 1055): 0xC0DB... as an integer needs both escapes.
    tricky = int.from_bytes(bytes((0x40, 0xC0, 0xDB, 0xDC)), "big")
    for number in range(2):
        server = socket.create_server(("127.0.0.1", port))
        server.settimeout(10)
        peer, _ = await asyncio.to_thread(server.accept)
        server.close()
        await until(lambda: output.send(act(SendOsc("/n", (tricky,)))))
        peer.settimeout(5)
        raw = b""
        while raw.count(b"\xc0") < 2:
            raw += await asyncio.to_thread(peer.recv, 4096)
        # OSC 1.1: a SLIP frame begins and ends with END.
        assert raw[:1] == raw[-1:] == b"\xc0"
        body = raw.strip(b"\xc0").replace(b"\xdb\xdc", b"\xc0").replace(b"\xdb\xdd", b"\xdb")
        assert body == b"/n\0\0,i\0\0" + tricky.to_bytes(4, "big"), number
        peer.close()
        await until(lambda: output._tcp is None)
    await output.close()


async def test_a_slow_tcp_receiver_costs_messages_not_memory() -> None:
    server = socket.create_server(("127.0.0.1", 0))
    output = OscOutput("sound", "127.0.0.1", server.getsockname()[1], protocol="tcp", per_second=10**6)
    await output.open()
    peer, _ = server.accept()
    text = "x" * 60_000
    for _ in range(500):
        output.send(act(SendOsc("/much", (text,))))
    assert output.counts.dropped > 0
    assert "too slowly" in output.counts.problem
    assert output._tcp is not None
    assert output._tcp.get_write_buffer_size() < 200_000
    await output.close()
    peer.close()
    server.close()


@pytest.mark.parametrize(
    ("message", "why"),
    [
        (SendOsc("steer", ()), "begins with `/`"),
        (SendOsc("/a b", ()), "must not hold a blank"),
        (SendOsc("/a*", ()), "must not hold `*`"),
        (SendOsc("/a", (float("nan"),)), "not a finite number"),
        (SendOsc("/a", (1e39,)), "float too large"),
        (SendOsc("/a", (2**31,)), "does not fit"),
        (SendOsc("/a", ("nul\0l",)), "null character"),
        (SendOsc("/a", ("x" * 70_000,)), "more than fit into a datagram"),
    ],
)
async def test_what_osc_cannot_carry_is_refused(message: SendOsc, why: str) -> None:
    with pytest.raises(OscProblemError):
        datagram(message, None)
    output = OscOutput("sound", "127.0.0.1", components.free_port(socket.SOCK_DGRAM))
    await output.open()
    assert not output.send(act(message))
    assert why in output.counts.problem
    assert not output.send(act(Press(("a",))))
    assert output.counts.refused == 2
    await output.close()


async def test_messages_are_limited() -> None:
    output = OscOutput("sound", "127.0.0.1", components.free_port(socket.SOCK_DGRAM), per_second=10)
    await output.open()
    for _ in range(100):
        output.send(act(SendOsc("/a", ())))
    assert output.counts.refused >= 85
    await output.close()


VALUES = st.floats(width=32, allow_nan=False, allow_infinity=False) | st.integers(-(2**31), 2**31 - 1)
TEXTS = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20)


@given(st.lists(VALUES | st.booleans() | TEXTS, max_size=8), st.none() | st.floats(1e9, 2e9))
def test_messages_come_back_the_same(
    arguments: list[float | int | str | bool], onset_s: float | None
) -> None:
    from pythonosc.osc_packet import OscPacket

    raw = datagram(SendOsc("/some/where", tuple(arguments)), onset_s)
    assert len(raw) % 4 == 0
    (timed,) = OscPacket(raw).messages
    assert timed.message.address == "/some/where"
    assert timed.message.params == arguments
    if onset_s is not None:
        assert time_tag(raw) == pytest.approx(onset_s, abs=1e-6)


def test_time_tags_wrap_in_2036() -> None:
    """RFC 5905, 6: era 1 begins on 8 February 2036 at 06:28:16, with all bits zero."""
    raw = datagram(SendOsc("/a", ()), datetime(2036, 2, 7, 6, 28, 17, tzinfo=UTC).timestamp())
    assert raw[8:16] == struct.pack(">II", 1, 0)


@given(
    st.lists(
        st.one_of(
            st.floats(width=32, allow_nan=False, allow_infinity=False),
            st.integers(-(2**31), 2**31 - 1),
            st.booleans(),
            st.text(st.characters(codec="ascii", exclude_characters="\0"), max_size=9),
        ),
        max_size=6,
    )
)
def test_every_message_is_what_the_library_builds(arguments: list[float | int | bool | str]) -> None:
    """Messages of numbers alone take a way of their own; python-osc's builder says what they must be."""
    from pythonosc.osc_message_builder import OscMessageBuilder

    builder = OscMessageBuilder(address="/lab/arm")
    for argument in arguments:
        builder.add_arg(argument)
    for _ in range(2):  # the second time from what was kept
        assert datagram(SendOsc("/lab/arm", tuple(arguments)), None) == builder.build().dgram
