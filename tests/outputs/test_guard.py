"""What the guard decides, what it makes of hostile bytes, and that it stays small."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
from pathlib import Path

import components
import pytest
from fakes import NotedKeyboard
from hypothesis import given
from hypothesis import strategies as st

from bridge.host_clock import now_s
from bridge.outputs.allow_list import AllowLists
from bridge.outputs.guard_core import Guard
from bridge.outputs.guard_lines import (
    LONGEST_LINE,
    Arm,
    Command,
    Free,
    HoldKeys,
    LetGo,
    LineError,
    Lines,
    Point,
    PressKeys,
    Pulse,
    Release,
    Write,
    decode,
    decode_said,
    encode,
)

EACH: list[Command] = [
    PressKeys(1, 2.0, ("Control", "c"), "title"),
    HoldKeys(2, 2.0, ("Space",), 3.0),
    LetGo(("Space",)),
    Write(3, 2.5, 'Grüße "x"\n'),
    Point(4, 2.0, -5, 6, "left", 1, 0, -2),
    Pulse(5, 1.0),
    Arm(True),
    Release(),
    Free(("a", "Shift")),
    Free(()),
]


def armed(keyboard: NotedKeyboard | None = None, **settings: float) -> Guard:
    usual = {"per_second": 20.0, "longest_hold_s": 60.0, **settings}
    guard = Guard(keyboard or NotedKeyboard(), allowed=AllowLists(), **usual)
    guard.take(Arm(True), 0.0)
    guard.take(Pulse(1, 0.0), 0.0)
    return guard


@pytest.mark.parametrize("command", EACH)
def test_a_command_survives_its_line(command: Command) -> None:
    assert decode(encode(command).rstrip(b"\n")) == command


def test_lines_in_any_pieces_are_the_same_lines() -> None:
    whole = b"".join(map(encode, EACH))
    for size in (1, 2, 7, 100, len(whole)):
        lines = Lines()
        got = [line for at in range(0, len(whole), size) for line in lines.feed(whole[at : at + size])]
        assert [decode(line) for line in got] == EACH


def test_an_endless_line_is_thrown_away_and_the_next_one_read() -> None:
    lines = Lines()
    for _ in range(1000):
        assert lines.feed(b"x" * 1000) == []
    assert len(lines._rest) <= LONGEST_LINE
    assert lines.feed(b"\n" + encode(Release())) == [b"", encode(Release()).rstrip(b"\n")]


@given(st.binary(max_size=300))
def test_hostile_bytes_are_no_command(data: bytes) -> None:
    with pytest.raises(LineError):
        decode(data)
    decode_said(data)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
FIELDS = ("do", "id", "at", "keys", "limit_s", "window", "text", "dx", "clicks", "button", "armed", "n")


@given(
    st.sampled_from(EACH),
    st.dictionaries(st.sampled_from(FIELDS) | st.text(max_size=5), JSON, min_size=1, max_size=3),
)
def test_a_twisted_command_is_refused_or_still_a_whole_one(
    command: Command, twist: dict[str, object]
) -> None:
    plain = {**json.loads(encode(command)), **twist}
    try:
        made = decode(json.dumps(plain).encode())
    except LineError:
        return
    keyboard = NotedKeyboard()
    guard = armed(keyboard)
    guard.take(made, 2.0)
    guard.release("end")
    assert keyboard.down_now == set()


def test_deeply_nested_and_huge_values_are_refused() -> None:
    for line in (b"[" * 5000, b'{"do":' * 800, b'{"do":"pulse","n":' + b"9" * 5000 + b',"at":1}'):
        with pytest.raises(LineError):
            decode(line)
    with pytest.raises(LineError):
        decode(b" " * (LONGEST_LINE + 1) + encode(Release()))
    for at in ("NaN", "Infinity", "-1", "true", '"1"', "1e999"):
        with pytest.raises(LineError):
            decode(b'{"do":"pulse","n":1,"at":' + at.encode() + b"}")


def test_a_hold_ends_without_pulse_after_250_ms() -> None:
    keyboard = NotedKeyboard()
    guard = armed(keyboard)
    guard.take(HoldKeys(1, 1.0, ("a",), 30.0), 1.0)
    assert guard.deadline_s() == pytest.approx(1.25)
    assert guard.tick(1.2499) == []
    (said,) = guard.tick(1.25)
    assert (said.what, said.keys) == ("released", ("a",))
    assert "pulse" in said.why
    assert keyboard.down_now == set()
    assert guard.deadline_s() is None


def test_pulses_count_from_when_they_were_sent() -> None:
    guard = armed()
    guard.take(HoldKeys(1, 1.0, ("a",), 30.0), 1.0)
    guard.take(Pulse(2, 1.05), 1.2)  # it waited in the pipe
    assert guard.deadline_s() == pytest.approx(1.30)
    guard.take(Pulse(3, 99.0), 1.21)  # a clock that is ahead gives no more time than a pulse of now
    assert guard.deadline_s() == pytest.approx(1.46)


def test_a_hold_ends_at_its_limit_and_at_the_guards_own() -> None:
    for asked_s, longest_s, ends_s in ((0.1, 60.0, 1.1), (30.0, 0.2, 1.2)):
        guard = armed(longest_hold_s=longest_s)
        guard.take(HoldKeys(1, 1.0, ("a",), asked_s), 1.0)
        assert guard.tick(ends_s - 0.001) == []
        assert guard.tick(ends_s)[0].what == "released"


def test_stale_commands_are_refused() -> None:
    keyboard = NotedKeyboard()
    guard = armed(keyboard)
    (said,) = guard.take(PressKeys(7, 1.0, ("a",)), 1.6)
    assert (said.what, said.id) == ("refused", 7)
    assert "old" in said.why
    assert keyboard.did == []


def test_disarmed_it_presses_nothing_and_lets_go() -> None:
    keyboard = NotedKeyboard()
    guard = Guard(keyboard, allowed=AllowLists(), per_second=20, longest_hold_s=60)
    assert "disarmed" in guard.take(PressKeys(1, 0.0, ("a",)), 0.0)[0].why
    guard = armed(keyboard)
    guard.take(HoldKeys(1, 0.0, ("a",), 30.0), 0.0)
    assert guard.take(Arm(False), 0.1)[0].what == "released"
    assert keyboard.down_now == set()


def test_text_goes_whole_or_not_at_all() -> None:
    keyboard = NotedKeyboard(lacks="é")
    guard = armed(keyboard)
    assert guard.take(Write(1, 0.0, "café"), 0.0)[0].what == "refused"
    assert keyboard.did == []


def test_a_held_key_cannot_be_pressed_or_held_again() -> None:
    keyboard = NotedKeyboard()
    guard = armed(keyboard)
    guard.take(HoldKeys(1, 0.0, ("a",), 30.0), 0.0)
    for command in (PressKeys(2, 0.0, ("a",)), HoldKeys(3, 0.0, ("a",), 9.0), Write(4, 0.0, "cab")):
        assert "being held" in guard.take(command, 0.0)[0].why
    guard.take(LetGo(("a",)), 0.0)
    assert keyboard.down_now == set()


def test_the_screen_goes_and_comes() -> None:
    first, second = NotedKeyboard(), NotedKeyboard()
    guard = armed(first)
    guard.take(HoldKeys(1, 0.0, ("a",), 30.0), 0.0)
    first.gone = True
    (said,) = guard.take(PressKeys(2, 0.1, ("b",)), 0.1)
    assert (said.what, said.keys) == ("gone", ("a",))
    assert guard.deadline_s() is None
    assert "no screen" in guard.take(PressKeys(3, 0.1, ("b",)), 0.1)[0].why
    guard.take(LetGo(("a",)), 0.1)
    assert guard.find_screen(second)[0].what == "back"
    guard.take(PressKeys(4, 0.2, ("b",)), 0.2)
    assert second.did == [("down", ord("b")), ("up", ord("b"))]


@given(st.lists(st.tuples(st.sampled_from(EACH), st.floats(0, 0.4)), max_size=30))
def test_whatever_comes_release_leaves_nothing_down(steps: list[tuple[Command, float]]) -> None:
    keyboard = NotedKeyboard()
    guard = armed(keyboard)
    now_s = 1.9
    for command, wait_s in steps:
        now_s += wait_s
        guard.tick(now_s)
        guard.take(command, now_s)
        assert set(keyboard.kept) == keyboard.down_now, "what is down must be on record"
    guard.release("end")
    assert keyboard.down_now == set()


def start(server: components.XServer) -> subprocess.Popen[bytes]:
    guard = subprocess.Popen(
        [*components.python(), "-m", "bridge.outputs.guard"],
        env=server.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert guard.stdout is not None
    assert b'"ready"' in guard.stdout.readline()
    return guard


def say(guard: subprocess.Popen[bytes], *commands: Command) -> None:
    assert guard.stdin is not None
    guard.stdin.write(b"".join(map(encode, commands)))
    guard.stdin.flush()


def test_the_process_takes_hostile_bytes_without_a_trace_or_a_key(
    x_server: components.XServer, recorder: components.KeyRecorder
) -> None:
    rng = random.Random(6)
    guard = start(x_server)
    assert guard.stdin is not None
    assert guard.stdout is not None
    # What it says is drained by another process, as a daemon would.
    say(guard, Arm(True))
    at_s = now_s()
    good = [
        encode(PressKeys(1, at_s, ("a",))),
        encode(HoldKeys(2, at_s, ("b",), 9.0)),
        encode(Write(3, at_s, "c")),
    ]
    for _ in range(300):
        line = bytearray(rng.choice(good))
        for _ in range(rng.randint(1, 4)):
            line[rng.randrange(len(line) - 1)] = rng.choice(b'\x00\xff{}[]":,0x\\')
        try:
            decode(bytes(line).rstrip(b"\n"))
        except LineError:
            guard.stdin.write(bytes(line))
        guard.stdin.write(rng.randbytes(rng.randint(0, 200)) + b"\n")
    guard.stdin.write(b"[" * 100_000 + b"\n" + b"x" * 3_000_000 + b"\n")
    guard.stdin.flush()
    say(guard, PressKeys(9, now_s(), ("z",)))
    recorder.wait("up", "z")
    guard.stdin.close()
    assert guard.wait(10) == 0
    assert guard.stderr is not None
    assert guard.stderr.read() == b""
    assert recorder.told() == [("down", "z"), ("up", "z")]
    components.end(guard)


def test_the_process_is_small_and_ignores_interrupts(x_server: components.XServer) -> None:
    guard = start(x_server)
    assert guard.stdout is not None
    try:
        say(guard, Pulse(1, now_s()))
        assert b'"alive"' in guard.stdout.readline()  # all that it imports is there
        maps = Path(f"/proc/{guard.pid}/maps").read_text()
        assert "numpy" not in maps
        assert "scipy" not in maps
        os.kill(guard.pid, signal.SIGINT)
        say(guard, Pulse(2, now_s()))
        assert b'"alive"' in guard.stdout.readline()
    finally:
        components.end(guard)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_the_process_lets_go_when_it_is_ended(
    number: int, x_server: components.XServer, recorder: components.KeyRecorder
) -> None:
    guard = start(x_server)
    say(guard, Arm(True), HoldKeys(1, now_s(), ("a",), 9.0))
    recorder.wait("down", "a")
    os.kill(guard.pid, number)
    recorder.wait("up", "a")
    assert guard.wait(5) == 0
    components.end(guard)


def test_what_is_said_to_a_deaf_daemon_does_not_stop_the_guard(
    x_server: components.XServer, recorder: components.KeyRecorder
) -> None:
    guard = start(x_server)
    say(guard, Arm(True), HoldKeys(1, now_s(), ("a",), 0.2))
    for _ in range(5000):  # 5000 answers fill the pipe, which nobody reads
        say(guard, Pulse(1, now_s()))
    recorder.wait("up", "a")
    say(guard, PressKeys(2, now_s(), ("b",)))
    recorder.wait("up", "b")
    assert guard.stdin is not None
    guard.stdin.close()
    assert guard.wait(5) == 0
    components.end(guard)


def test_an_import_of_the_package_loads_nothing_heavy() -> None:
    code = "import bridge.outputs.guard, bridge.outputs.keys_x11, sys; print(*sys.modules)"
    loaded = subprocess.run(
        [*components.python(), "-c", code], capture_output=True, text=True, check=True, timeout=60
    ).stdout.split()
    heavy = {"numpy", "scipy", "pydantic", "asyncio", "bridge.rules", "bridge.signals", "paho", "pythonosc"}
    assert heavy & set(loaded) == set()
