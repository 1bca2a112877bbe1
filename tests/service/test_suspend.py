"""The daemon is stopped for 25 s, and the computer sleeps: nothing that was done meanwhile acts, nothing is held.

Real sources of every kind go on sending meanwhile, and real receivers watch every output.
"""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.all_sources import NAMES, Arm
from tests.components import (
    Broker,
    KeyRecorder,
    Subscriber,
    XServer,
    end,
    key_recorder,
    loopback_lsl,
    until,
    x_server,
)
from tests.loss_rig import running_rig

STOPPED_S = 25.0
ASLEEP_S = 40.0
BURSTS = 10
LETTERS = dict(zip(NAMES, "abcdefg", strict=True))
OUTPUTS = ("keys", "osc", "mqtt", "log")


@dataclass
class Receivers:
    """What has come out of the daemon, by output and source."""

    seen: KeyRecorder
    heard: Subscriber
    out: Path
    ear: socket.socket
    messages: list[str] = field(default_factory=list)

    def listen(self) -> None:
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with suppress(OSError):
            while True:
                self.messages += re.findall(r"/([a-z]+)\0", self.ear.recv(2000).decode("latin-1"))

    def counts(self) -> dict[str, Counter[str]]:
        names = {letter: name for name, letter in LETTERS.items()}
        told = self.out.read_text()
        lines = [json.loads(line) for line in told[: told.rfind("\n") + 1].splitlines()]
        return {
            "keys": Counter(
                names[name] for what, name in self.seen.told() if what == "down" and name in names
            ),
            "osc": Counter(self.messages),
            "mqtt": Counter(got.topic.removeprefix("arm/") for got in list(self.heard.got)),
            "log": Counter(line["rule"] for line in lines if line.get("output") == "note"),
        }


def rules(arm: Arm, osc: int, mqtt: int) -> str:
    text = "version: 1\n" + arm.sources + "outputs:\n  keys: {type: keystrokes}\n  note: {type: log}\n"
    text += f"  sound: {{type: osc, host: 127.0.0.1, port: {osc}}}\n"
    text += f"  lamp: {{type: mqtt, host: 127.0.0.1, port: {mqtt}}}\nrules:\n"
    for name, letter in LETTERS.items():
        text += (
            f"  - name: {name}\n    when: {{event: contraction, from: {name}}}\n    then:\n"
            f"      - {{press: {letter}}}\n      - {{note: {name}}}\n"
            f"      - {{send: {{output: sound, address: /{name}}}}}\n"
            f"      - {{publish: {{output: lamp, topic: arm/{name}, payload: x, qos: 1}}}}\n"
        )
    return text + "  - {name: Hold, when: {event: contraction, from: frames}, then: {hold: Space}}\n"


@pytest.fixture
def server() -> Iterator[XServer]:
    with x_server() as server:
        yield server


def test_what_was_done_while_the_daemon_was_stopped_acts_on_nothing(tmp_path: Path, server: XServer) -> None:
    environment = loopback_lsl(tmp_path / "lsl")
    import pylsl

    broker = Broker.make(tmp_path / "broker").start()
    with (
        Arm(tmp_path, pylsl) as arm,
        key_recorder(server) as seen,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear,
        (tmp_path / "out").open("wb") as out,
        (tmp_path / "log").open("wb") as err,
    ):
        ear.bind(("127.0.0.1", 0))
        file = tmp_path / "rules.yaml"
        file.write_text(rules(arm, ear.getsockname()[1], broker.port))
        daemon = subprocess.Popen(
            [sys.executable, "-m", "bridge", "run", file, "--json", "--no-monitor", "--armed"],
            stdout=out,
            stderr=err,
            env={
                **server.environment,
                **environment,
                "XDG_RUNTIME_DIR": str(tmp_path),
                "XDG_CONFIG_HOME": str(tmp_path),
            },
        )
        got = Receivers(seen, Subscriber(broker.port, "arm/#").start(), tmp_path / "out", ear)
        got.listen()

        def log() -> str:
            return (tmp_path / "log").read_text()

        def act_once() -> None:
            """A contraction: every source acts once on every output."""
            before = got.counts()
            arm.acting = True
            time.sleep(1.0)
            arm.acting = False
            wanted = dict.fromkeys(NAMES, 1)
            until(
                lambda: (
                    {output: dict(now - before[output]) for output, now in got.counts().items()}
                    == dict.fromkeys(OUTPUTS, wanted)
                ),
                f"each source on each output; from {before} to {got.counts()}; {log()[-2000:]}",
            )

        try:
            until(lambda: all(f"source {name}:" in log() for name in NAMES), f"the sources; {log()}", 40.0)
            time.sleep(6.0)  # the resting levels are learnt
            act_once()
            time.sleep(2.0)
            # Stopped in the middle of a hold: the guard lets go.
            arm.acting = True
            until(server.keys_down, "the hold")
            time.sleep(0.3)
            daemon.send_signal(signal.SIGSTOP)
            stopped_s = time.monotonic()
            until(lambda: not server.keys_down(), "the release", 1.5)
            before = got.counts()
            for burst in range(BURSTS):
                arm.acting = True
                time.sleep(1.0)
                arm.acting = False
                time.sleep(max(0.0, stopped_s + STOPPED_S * (burst + 1) / BURSTS - time.monotonic()))
            daemon.send_signal(signal.SIGCONT)
            time.sleep(4.0)
            assert got.counts() == before
            assert server.keys_down() == []
            act_once()
            assert "Traceback" not in log()
        finally:
            daemon.send_signal(signal.SIGCONT)
            end(daemon)
            got.heard.stop()
            broker.stop()


def test_a_key_that_was_held_when_the_computer_fell_asleep_comes_up(tmp_path: Path) -> None:
    """Everything stops at once and goes on at once (simulated): only a clock that counts sleep can tell."""
    asleep = tmp_path / "asleep"
    asleep.write_text("0")
    simulated = {"PYTHONPATH": str(Path(__file__).parents[1] / "asleep"), "TESTS_ASLEEP": str(asleep)}
    (tmp_path / "rig").mkdir()
    with running_rig(tmp_path / "rig", environment=simulated) as rig:
        (guard,) = re.findall(r"guard is at work \(\S+, process (\d+)\)", rig.log())
        rig.hold()
        time.sleep(0.3)
        for pid in (rig.daemon.pid, int(guard)):
            os.kill(pid, signal.SIGSTOP)
        asleep.write_text(str(ASLEEP_S))
        for pid in (int(guard), rig.daemon.pid):
            os.kill(pid, signal.SIGCONT)
        woken_s = time.monotonic()
        rig.board.acting = False
        rig.up_after(woken_s, 1.5)
        assert f"no samples for {ASLEEP_S:.0f}" in rig.log() or "late" in rig.log(), rig.log()
        rig.rest()
        rig.hold()
        rig.rest()
