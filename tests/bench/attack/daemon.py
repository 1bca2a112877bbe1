"""A whole daemon to attack: armed, with a board on a Unix socket, a screen, a page and a token for TCP."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.components import XServer, end, free_port, until, x_server

TOKEN = "a-token-of-the-attack-bench"
DESCRIPTORS = 256
RATE_HZ = 250
RULES = """version: 1
sources:
  lines: {{type: network, socket: lines, rate: 250, channels: [{{name: arm, kind: emg}}]}}
  far: {{type: network, protocol: tcp, port: {tcp}, login: far, rate: 250, channels: [{{name: leg, kind: emg}}]}}
  near: {{type: network, protocol: udp, format: osc, port: {osc}, login: far, rate: 250,
         channels: [{{name: eye, kind: emg}}]}}
outputs:
  keys: {{type: keystrokes}}
rules:
  - {{name: Talk, when: {{event: contraction}}, then: {{hold: Space}}}}
"""


@dataclass
class Daemon:
    process: subprocess.Popen[bytes]
    server: XServer
    folder: Path
    tcp: int
    osc: int

    @property
    def log(self) -> str:
        return (self.folder / "log").read_text(errors="replace")

    @property
    def link(self) -> str:
        found = re.search(r"watch it at (http://\S+)", self.log)
        assert found is not None, self.log
        return found[1]

    @property
    def port(self) -> int:
        return int(self.link.partition("/?")[0].rpartition(":")[2])

    @property
    def token(self) -> str:
        return self.link.partition("token=")[2]

    def descriptors(self) -> int:
        return len(os.listdir(f"/proc/{self.process.pid}/fd"))

    def threads(self) -> int:
        return len(os.listdir(f"/proc/{self.process.pid}/task"))

    def memory_kb(self) -> int:
        found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{self.process.pid}/status").read_text())
        assert found is not None
        return int(found[1])

    def guards(self) -> list[int]:
        """Process ids of the guards that this daemon has started and that live."""
        found = []
        for pid in Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split():
            with suppress(OSError):
                if b"bridge.outputs.guard" in Path(f"/proc/{pid}/cmdline").read_bytes():
                    found.append(int(pid))
        return found

    def status(self) -> dict[str, Any]:
        """As its owner sees it, with the token."""
        with urllib.request.urlopen(self.link.replace("/?", "/status?"), timeout=10) as answer:
            plain: dict[str, Any] = json.loads(answer.read())
        return plain


class Board:
    """The owner's board on the Unix socket: white noise of the width of a forearm at rest, or of a contraction."""

    def __init__(self, daemon: Daemon) -> None:
        self.acting = False
        self._path = daemon.folder / "biosignal-bridge" / "samples" / "lines"
        self._random = random.Random(3)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)

    def __enter__(self) -> Board:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _send(self) -> None:
        begun_s, sent = time.monotonic(), 0
        with socket.socket(socket.AF_UNIX) as link, suppress(OSError):
            link.connect(str(self._path))
            while not self._stop.wait(0.02):
                due = round((time.monotonic() - begun_s) * RATE_HZ)
                width = 60.0 if self.acting else 3.0
                values = [round(self._random.gauss(0.0, width)) for _ in range(due - sent)]
                link.sendall("".join(f"{value}\n" for value in values).encode())
                sent = due


@contextmanager
def attacked(folder: Path) -> Iterator[Daemon]:
    """It may open few files, so that a flood of connections would tell."""
    config = folder / "config" / "biosignal-bridge"
    config.mkdir(parents=True, mode=0o700)
    logins = config / "logins.yaml"
    logins.touch(mode=0o600)
    logins.write_text(f"version: 1\nlogins:\n  far: {{hosts: [127.0.0.1], password: {TOKEN}, tls: false}}\n")
    tcp, osc = free_port(), free_port()
    rules = folder / "rules.yaml"
    rules.write_text(RULES.format(tcp=tcp, osc=osc))
    run = f"ulimit -n {DESCRIPTORS}; exec {sys.executable} -m bridge run {rules} --armed"
    with x_server() as server, (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            ["sh", "-c", run],
            stdout=subprocess.DEVNULL,
            stderr=log,
            env={
                **server.environment,
                "XDG_RUNTIME_DIR": str(folder),
                "XDG_CONFIG_HOME": str(folder / "config"),
            },
        )
        daemon = Daemon(process, server, folder, tcp, osc)
        try:
            until(lambda: "watch it at" in daemon.log or process.poll() is not None, "the daemon", 60)
            assert process.poll() is None, daemon.log
            until(lambda: daemon.guards(), "the guard", 30)
            yield daemon
        finally:
            end(process, signal.SIGTERM)


def half_open(port: int, count: int, first: bytes = b"GET /status HTTP/1.1\r\n") -> list[socket.socket]:
    """So many connections that begin to speak and never end."""
    made = []
    for number in range(count):
        each = socket.socket()
        each.settimeout(0.5)
        made.append(each)
        with suppress(OSError):
            each.connect(("127.0.0.1", port))
            each.sendall(first)
        if number % 50 == 49:
            time.sleep(0.05)
    return made


def close_all(sockets: list[socket.socket]) -> None:
    for each in sockets:
        each.close()
