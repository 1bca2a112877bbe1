"""How a running daemon says how it does: metrics, status, supervisor, MQTT status. All of it real.

The metrics are read by the Prometheus client library's own parser; the supervisor's socket by the protocol of
sd_notify(3).
"""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests import components
from tests.components import Broker, Subscriber, end, until

COMMAND = [sys.executable, "-m", "bridge"]
RULES = """
version: 1
source: {{type: synthetic, seed: 3}}
outputs:
  lamp: {{type: mqtt, host: 127.0.0.1, port: {mqtt}}}
  keys: {{type: keystrokes}}
rules:
  - name: Lamp
    when: {{event: heartbeat}}
    then: {{publish: {{output: lamp, topic: lab/heart, payload: beat}}}}
  - name: Key
    when: {{event: heartbeat}}
    then: {{press: a}}
"""


@dataclass
class Running:
    daemon: subprocess.Popen[bytes]
    environment: dict[str, str]
    supervisor: list[bytes]
    heard: Subscriber
    log: Path

    def call(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*COMMAND, *arguments], env=self.environment, capture_output=True, text=True, timeout=30
        )

    @property
    def link(self) -> str:
        found = re.search(r"watch it at (http://\S+)", self.log.read_text())
        assert found is not None, self.log.read_text()
        return found[1]

    def metrics(self) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
        address, _, token = self.link.partition("?token=")
        asked = urllib.request.Request(address + "metrics", headers={"Authorization": f"Bearer {token}"})
        with urllib.request.urlopen(asked, timeout=5) as answer:
            text = answer.read().decode()
        return {
            (sample.name, tuple(sorted(sample.labels.items()))): sample.value
            for family in text_string_to_metric_families(text)
            for sample in family.samples
        }

    def last_status(self) -> str:
        told = [got for got in list(self.heard.got) if got.topic.endswith("/status")]
        return told[-1].payload if told else ""


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("health")
    broker = Broker.make(folder / "broker").start()
    heard = Subscriber(broker.port).start()
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(str(folder / "notify"))
    supervisor: list[bytes] = []

    def listen() -> None:
        with suppress(OSError):
            while True:
                supervisor.append(listener.recv(300))

    threading.Thread(target=listen, daemon=True).start()
    rules, log = folder / "rules.yaml", folder / "log"
    rules.write_text(RULES.format(mqtt=broker.port))
    with components.x_server() as server:
        environment = {
            **server.environment,
            "XDG_RUNTIME_DIR": str(folder),
            "XDG_CONFIG_HOME": str(folder),
            "NOTIFY_SOCKET": str(folder / "notify"),
            "WATCHDOG_USEC": "1000000",
        }
        with log.open("wb") as stderr:
            daemon = subprocess.Popen(
                [*COMMAND, "run", str(rules)],
                stdout=subprocess.DEVNULL,
                stderr=stderr,
                env=environment,
            )
        made = Running(daemon, environment, supervisor, heard, log)
        try:
            until(lambda: len(heard.on("lab/heart")) >= 3 or daemon.poll() is not None, "heartbeats", 30)
            assert daemon.poll() is None, log.read_text()
            yield made
        finally:
            end(daemon, signal.SIGKILL)
            heard.stop()
            broker.stop()
            listener.close()


def test_metrics_agree_with_what_happened(running: Running) -> None:
    first = running.metrics()
    time.sleep(1.0)
    then = running.metrics()

    def of(name: str, **labels: str) -> float:
        return then["bridge_" + name, tuple(sorted(labels.items()))]

    names = {name.removeprefix("bridge_") for name, _ in then}
    print(sorted(names))
    samples = [
        values["bridge_samples_total", ()] for values in (first, then)
    ]  # the synthetic person runs in real time
    assert 100 <= samples[1] - samples[0] <= 1500
    assert of("lost_samples_total") == 0
    assert of("uptime_seconds") >= 3
    beats = of("events_total", kind="heartbeat")
    assert beats >= 3
    assert of("actions_total", output="lamp", result="sent") == pytest.approx(beats, abs=1)
    # The daemon was not armed: keys are refused, and counted as that.
    assert of("actions_total", output="keys", result="disarmed") == pytest.approx(beats, abs=1)
    assert of("host_latency_seconds_count") == pytest.approx(2 * beats, abs=2)
    assert of("host_latency_seconds_bucket", le="+Inf") == of("host_latency_seconds_count")
    assert of("state", state="disarmed") == 1


def test_the_metrics_listen_on_loopback_only_and_ask_for_the_token(running: Running) -> None:
    """The old port of their own, without either, is gone, and the error says what to do."""
    port = int(running.link.partition("?")[0].rstrip("/").rpartition(":")[2])
    for headers, status in (({}, 401), ({"Host": "evil.example"}, 403)):
        asked = urllib.request.Request(f"http://127.0.0.1:{port}/metrics", headers=headers)
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(asked, timeout=5)
        assert refused.value.code == status
    old = running.call("run", "rules.yaml", "--metrics-port", "9100")
    assert old.returncode == 2
    assert "/metrics" in old.stderr
    assert "leave --metrics-port out" in old.stderr
    hexed = f"{port:04X}"
    tables = [Path(f"/proc/{running.daemon.pid}/net/{name}").read_text() for name in ("tcp", "tcp6")]
    listening = [
        line.split()[1]
        for table in tables
        for line in table.splitlines()[1:]
        if line.split()[3] == "0A" and line.split()[1].endswith(f":{hexed}")
    ]
    assert listening == [f"0100007F:{hexed}"]


def test_status_says_it_in_words_and_as_json(running: Running) -> None:
    plain = running.call("status")
    assert plain.returncode == 0, plain.stderr
    assert "disarmed" in plain.stdout
    told = json.loads(running.call("status", "--json").stdout)
    assert told["state"] == "disarmed"
    assert told["pid"] == running.daemon.pid
    assert told["events"]["heartbeat"] >= 3
    assert {"uptime_s", "samples", "lost_samples", "actions", "latency_ms"} <= set(told)


def test_a_pause_shows_everywhere(running: Running) -> None:
    """In the log, the status, the metrics and the retained MQTT status."""
    until(lambda: running.last_status() == "online", "the status online")
    assert running.call("pause").returncode == 0
    until(lambda: running.last_status() == "paused", "the status paused")
    assert running.metrics()["bridge_state", (("state", "paused"),)] == 1
    assert json.loads(running.call("status", "--json").stdout)["state"] == "paused"
    assert "paused" in running.log.read_text()
    before = len(running.heard.on("lab/heart"))
    time.sleep(2.0)
    assert len(running.heard.on("lab/heart")) == before, "nothing is sent while paused"
    assert running.call("resume").returncode == 0
    until(lambda: running.last_status() == "online", "the status online again")
    until(lambda: len(running.heard.on("lab/heart")) > before, "heartbeats again")


def test_the_supervisor_hears_ready_the_watchdog_and_the_end(running: Running) -> None:
    running.daemon.send_signal(signal.SIGTERM)
    assert running.daemon.wait(10) == 0, running.log.read_text()
    until(lambda: b"STOPPING=1" in running.supervisor, "the word that it stops")
    heard = list(running.supervisor)
    assert heard.count(b"READY=1") == 1
    # Twice in its time, as sd_watchdog_enabled(3) advises; it ran for several seconds.
    assert heard.count(b"WATCHDOG=1") >= 5
    assert any(message.startswith(b"STATUS=") and b"paused" in message for message in heard)
    assert heard.index(b"READY=1") < heard.index(b"WATCHDOG=1") < heard.index(b"STOPPING=1")
    until(lambda: running.last_status() == "offline", "the status offline")
