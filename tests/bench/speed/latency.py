"""From a byte on the port to what an output sends: a plain C reader, a bare asyncio reader and the daemon, in one run.

    python -m tests.bench.speed.latency [--seconds 16] [--turns 4] [--json OUT]

A pseudo-terminal carries four channels of text at 250 Hz, one of each kind. The readers send a datagram for every line.
The daemon is that of the compiled wheel, and beside it that of the source; it runs all four detectors and twenty rules.
Its contraction level goes out every 12 ms by OSC, and in a run of its own by MQTT (through a broker to a subscriber);
in another a heart of 180 beats a minute presses a key (through the guard and an X server to a client's window). Latency
is from the write of the line that causes it to the arrival; ``to the output`` is what the daemon itself counts, from
its reading of the line to the output's having sent. Then the processor time, user and system from /proc, of the bare
reader and of the daemon at other rates. What is compared takes turns, for a machine that slows down meanwhile must slow
all of it. Each process that is measured has a core, and what writes and receives has the others: left to itself, the
scheduler moved each of them from core to core at nearly every line (``--unpinned`` leaves it that). Only ratios within
one run mean anything.
"""

from __future__ import annotations

import argparse
import json
import os
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tty
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.components import Broker, Subscriber, end, key_recorder, until, x_server
from tests.wheel import ROOT, unpack_compiled

HERE = Path(__file__).resolve().parent
SETTLE_S = 6.0
CORES = sorted(os.sched_getaffinity(0))
KINDS = ("eeg", "eog-horizontal", "emg", "ecg")
EVENTS = ("blink", "gaze-left", "gaze-right", "contraction", "heartbeat")
# Rules for all detectors; none of them sends anything, for they wait for twenty events in a second.
RULES = "".join(
    f"  - {{name: R{number}, when: {{event: {EVENTS[number % 5]}, times: 20, within: 1 s}}, "
    "then: {send: {output: sound, address: /never, arguments: [1]}}}\n"
    for number in range(20)
)
LEVELS = {
    "osc": '{send: {output: sound, address: /x, arguments: ["{value}"]}}',
    "mqtt": '{publish: {topic: bench/x, payload: "{value}"}}',
}


@dataclass(frozen=True)
class Load:
    """What comes in: so many channels, rate, and lines that are written together."""

    channels: int = 4
    rate_hz: int = 250
    block: int = 1

    def __str__(self) -> str:
        together = f", {self.block} lines at a time" if self.block > 1 else ""
        return f"{self.channels} × {self.rate_hz} Hz{together}"

    @property
    def kinds(self) -> list[str]:
        # One channel alone is a muscle's, so that there is a level to send.
        return ["emg"] if self.channels == 1 else [KINDS[number % 4] for number in range(self.channels)]

    def lines(self, seconds: float, *, fast_heart: bool = False) -> list[bytes]:
        """What a board would print of the synthetic person."""
        from bridge.sources.person import SyntheticPerson

        person = SyntheticPerson(2, float(self.rate_hz))
        samples = person.generate(round(seconds * self.rate_hz))
        column = {channel.kind: number for number, channel in enumerate(person.info.channels)}
        if fast_heart:
            phase_s = np.mod(np.arange(len(samples)) / self.rate_hz, 60 / 180) - 0.15
            samples[:, column["ecg"]] = 1000 * np.exp(-0.5 * (phase_s / 0.012) ** 2)
        own = samples[:, [column[kind] for kind in self.kinds]]
        return [",".join(f"{value:.1f}" for value in row).encode() + b"\r\n" for row in own]

    def rules(self, port: str, sending: str, udp: int, mqtt: int) -> str:
        names = [f"{{name: c{number}, kind: {kind}}}" for number, kind in enumerate(self.kinds)]
        level_every_ms = 12 if self.rate_hz <= 250 else 8
        extra = {
            "osc": "",
            "mqtt": f"  town: {{type: mqtt, host: 127.0.0.1, port: {mqtt}, most_per_second: 10000}}\n",
            "key": "  keys: {type: keystrokes}\n",
        }
        text = f"""version: 1
source: {{type: serial, port: {port}, baud: 115200, rate: {self.rate_hz}, channels: [{", ".join(names)}]}}
outputs:
  sound: {{type: osc, host: 127.0.0.1, port: {udp}, most_per_second: 10000}}
{extra[sending]}detectors:
  - {{detector: contraction, settings: {{level_every_ms: {level_every_ms}}}}}
"""
        if self.channels > 1:
            text += "  - {detector: blink}\n  - {detector: gaze}\n  - {detector: heartbeat}\n"
        if sending in LEVELS:
            text += f"levels:\n  - {{level: contraction-level, every: 10 ms, then: {LEVELS[sending]}}}\n"
        rules = RULES
        if self.channels == 1:
            rules = "".join(line for line in RULES.splitlines(keepends=True) if "event: contraction" in line)
        if sending == "key":
            rules += "  - {name: Beat, when: {event: heartbeat}, then: {press: a}}\n"
        return text + "rules:\n" + rules


Arrivals = list[float]


@contextmanager
def by_udp() -> Iterator[tuple[int, Arrivals, dict[str, str]]]:
    udp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    udp.bind(("127.0.0.1", 0))
    udp.setblocking(False)
    arrived: Arrivals = []
    stop = threading.Event()

    def receive() -> None:
        while not stop.is_set():
            if select.select([udp], [], [], 0.2)[0]:
                udp.recv(2048)
                arrived.append(time.monotonic())

    receiver = threading.Thread(target=receive)
    receiver.start()
    try:
        yield udp.getsockname()[1], arrived, {}
    finally:
        stop.set()
        receiver.join()
        udp.close()


@contextmanager
def by_mqtt(folder: Path) -> Iterator[tuple[int, Arrivals, dict[str, str]]]:
    broker = Broker.make(folder / "broker", "allow_anonymous true", "set_tcp_nodelay true").start()
    subscriber = Subscriber(broker.port, "bench/x", qos=0).start()
    arrived: Arrivals = []
    subscriber._client.on_message = lambda *_: arrived.append(time.monotonic())
    try:
        yield broker.port, arrived, {}
    finally:
        subscriber.stop()
        broker.stop()


@contextmanager
def by_key() -> Iterator[tuple[int, Arrivals, dict[str, str]]]:
    with x_server() as server, key_recorder(server) as recorder:
        arrived: Arrivals = []
        yield 0, arrived, server.environment
        arrived.extend(each.at for each in recorder.seen if (each.what, each.name) == ("down", "a"))


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def daemon_environment(folder: Path, root: Path) -> dict[str, str]:
    """For a daemon of the package in ``root`` that keeps its own files in ``folder``."""
    own = {"XDG_RUNTIME_DIR": str(folder), "XDG_CONFIG_HOME": str(folder), "PYTHONPATH": str(root)}
    return {**os.environ, **own}


Start = Callable[[str, int, dict[str, str]], subprocess.Popen[bytes]]


@dataclass(frozen=True)
class Measured:
    """Of one process: the delays (s) of what arrived, and the processor time (s) of so many seconds."""

    delays_s: list[float]
    used_s: float
    counted_s: float
    told: dict[str, float]


def pooled(turns: Sequence[Measured]) -> dict[str, float]:
    micro = np.concatenate([turn.delays_s for turn in turns]) * 1e6
    told = {key: float(np.mean([turn.told[key] for turn in turns])) for key in turns[0].told}
    return {
        "arrived": len(micro),
        "median_us": float(np.median(micro)),
        "p99_us": float(np.quantile(micro, 0.99)),
        "p999_us": float(np.quantile(micro, 0.999)),
        "processor_percent": 100 * sum(turn.used_s for turn in turns) / sum(turn.counted_s for turn in turns),
        **told,
    }


def measure(
    start: Start,
    load: Load,
    seconds: float,
    text: list[bytes],
    receiving: AbstractContextManager[tuple[int, Arrivals, dict[str, str]]] | None = None,
    asked: Callable[[], dict[str, float]] = dict,
) -> Measured:
    """Writes the lines in time and says what that led to; ``asked`` is called before the process ends."""
    board, slave = os.openpty()
    tty.setraw(slave)
    written: list[float] = []
    told: dict[str, float] = {}
    with receiving or by_udp() as (port, arrived, environment):
        process = start(os.ttyname(slave), port, environment)
        if os.sched_getaffinity(0) != set(CORES):
            os.sched_setaffinity(process.pid, CORES[:1])
        begun = time.monotonic()
        before_s = 0.0
        for number in range(0, len(text) - load.block + 1, load.block):
            time.sleep(max(0.0, begun + number / load.rate_hz - time.monotonic()))
            if before_s == 0.0 and number >= round(SETTLE_S * load.rate_hz):
                before_s = processor_s(process.pid)
            written.append(time.monotonic())
            os.write(board, b"".join(text[number : number + load.block]))
        used_s = processor_s(process.pid) - before_s
        time.sleep(0.2)
        told |= asked()
        end(process)
    for number in (board, slave):
        os.close(number)
    from_s = begun + SETTLE_S
    # What arrives is caused by the line that was written last before it; after the last line the daemon goes on by
    # its own clock until it counts the signal as lost.
    caused = [at for at in arrived if from_s < at < written[-1] + load.block / load.rate_hz]
    delays = [at - written[bisect_right(written, at) - 1] for at in caused]
    if not delays:
        raise SystemExit("nothing came")
    return Measured(delays, used_s, seconds - SETTLE_S, told)


class Readers:
    """What is measured; each makes a process for a port."""

    def __init__(self, folder: Path, wheel: Path) -> None:
        """``wheel``: what the compiled wheel installs."""
        self._folder = folder
        self._wheel = wheel
        self._c = folder / "reader"
        self._runs = 0
        subprocess.run(["gcc", "-O2", "-o", str(self._c), str(HERE / "reader.c")], check=True)

    def c(self, port: str, udp: int, _environment: dict[str, str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen([str(self._c), port, str(udp)])

    def bare(self, port: str, udp: int, _environment: dict[str, str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, str(HERE / "asyncio_reader.py"), port, str(udp)])

    def daemon(self, load: Load, sending: str = "osc", root: Path | None = None) -> Start:
        """``root`` is the folder that holds the package: the compiled wheel's, if it is not given."""

        def start(port: str, receiver: int, environment: dict[str, str]) -> subprocess.Popen[bytes]:
            self._runs += 1
            rules = self._folder / f"rules-{self._runs}.yaml"
            mqtt = receiver if sending == "mqtt" else 1
            rules.write_text(load.rules(port, sending, receiver if sending == "osc" else 9, mqtt))
            log = self._folder / f"log-{self._runs}"
            armed = ["--armed"] if sending == "key" else []
            with log.open("wb") as stderr:
                made = subprocess.Popen(
                    [sys.executable, "-m", "bridge", "run", str(rules), "--no-monitor", *armed],
                    stdout=subprocess.DEVNULL,
                    stderr=stderr,
                    cwd=self._folder,  # for the working directory's package would come first
                    env={**daemon_environment(self._folder, root or self._wheel), **environment},
                )
            until(lambda: "keystrokes are" in log.read_text() or made.poll() is not None, log.read_text(), 15)
            if made.poll() is not None:
                raise SystemExit(log.read_text())
            return made

        return start

    def asked(self) -> dict[str, float]:
        """What the daemon says of its own latency."""
        done = subprocess.run(
            [sys.executable, "-m", "bridge", "status", "--json"],
            env=daemon_environment(self._folder, self._wheel), capture_output=True, text=True, check=True,
        )  # fmt: skip
        own = json.loads(done.stdout)["latency_ms"]
        return {"to_the_output_median_us": own["median"] * 1e3, "to_the_output_p99_us": own["p99"] * 1e3}


LOADS = (Load(1, 250), Load(8, 1000, 8))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=16.0)
    parser.add_argument("--turns", type=int, default=4)
    parser.add_argument("--unpinned", action="store_true", help="leave the cores to the scheduler")
    parser.add_argument("--wheel", type=Path, help="a compiled wheel that is unpacked already")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    seconds, usual = options.seconds, Load()
    results: dict[str, Any] = {"latency": {}, "processor": {}}

    def note(part: str, name: str, told: dict[str, float]) -> dict[str, float]:
        results[part][name] = told
        print(f"{name}:", {key: round(value, 1) for key, value in told.items()}, flush=True)
        return told

    def in_turns(load: Load, ways: Sequence[Start]) -> list[dict[str, float]]:
        """Each way's figures."""
        text = load.lines(seconds)
        told: list[list[Measured]] = [[] for _ in ways]
        for _ in range(options.turns):
            for start, own in zip(ways, told, strict=True):
                asked = dict if start in (readers.c, readers.bare) else readers.asked
                own.append(measure(start, load, seconds, text, asked=asked))
        return [pooled(own) for own in told]

    if len(CORES) > 1 and not options.unpinned:
        os.sched_setaffinity(0, CORES[1:])
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        readers = Readers(folder, options.wheel or unpack_compiled(folder))

        def compared(load: Load) -> list[Start]:
            return [readers.bare, readers.daemon(load), readers.daemon(load, root=ROOT)]

        limit, *others = in_turns(usual, [readers.c, *compared(usual)])
        names = ("asyncio reader", "daemon, OSC", "daemon, OSC, not compiled")
        note("latency", "C reader", limit)
        plain, ours, _ = (note("latency", name, told) for name, told in zip(names, others, strict=True))
        longer = seconds * 2
        start, text = readers.daemon(usual, "mqtt"), usual.lines(longer)
        by_broker = pooled([measure(start, usual, longer, text, by_mqtt(folder), readers.asked)])
        note("latency", "daemon, MQTT through a broker", by_broker)
        start, text = readers.daemon(usual, "key"), usual.lines(longer, fast_heart=True)
        pressed = pooled([measure(start, usual, longer, text, by_key(), readers.asked)])
        note("latency", "daemon, key in an X client", pressed)
        ratios: dict[str, float] = {
            "median to the C reader's (target 5)": ours["median_us"] / limit["median_us"],
            "p99 to the asyncio reader's (target 3)": ours["p99_us"] / plain["p99_us"],
        }
        figures = {load: in_turns(load, compared(load)) for load in LOADS} | {usual: others}
        for load, target in ((LOADS[0], ""), (usual, " (target 2.5)"), (LOADS[1], " (target 6)")):
            names = ("bare reader", "daemon", "daemon, not compiled")
            told = {name: one["processor_percent"] for name, one in zip(names, figures[load], strict=True)}
            share = note("processor", str(load), told)
            ratios[f"processor to the bare reader's, {load}{target}"] = share["daemon"] / share["bare reader"]
    results["ratios"] = ratios
    print(json.dumps(ratios, indent=2, ensure_ascii=False))
    if options.json:
        options.json.write_text(json.dumps(results, indent=1) + "\n")


if __name__ == "__main__":
    main()
