"""200 simulated daemons on two bridged brokers: ``python -m tests.bench.many_daemons [--daemons 200] [--json OUT]``.

Each daemon has a rule file, a synthetic heart, detector, rules and MQTT output of its own; only the processes are
one, and the signal comes as fast as it can be worked on. Half of them talk to either broker. At the first broker
two subscribers share all events; at the second one hears them all. Rule file and bridge are those of the guide
``demos/guides/many-daemons.md``.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import re
import tempfile
import time
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

from bridge import outputs
from bridge.outputs.mqtt import MqttOutput
from bridge.pipeline import Pipeline
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.service import assembly
from bridge.signals.types import Block, StreamInfo
from bridge.sources.person import SyntheticPerson
from tests.components import Broker, Subscriber

GUIDE = Path(__file__).resolve().parents[2] / "demos" / "guides" / "many-daemons.md"
EVENTS = "biosignal-bridge/+/events/#"
STATUS = "biosignal-bridge/+/status"
SIGNAL_S = 20.0
PERSONS = 10


def block_of(kind: str) -> str:
    """A piece of code of the guide."""
    (code,) = re.findall(rf"```{kind}\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    return str(code)


@dataclass
class SimulatedDaemon:
    """Everything of a daemon but the process."""

    pipeline: Pipeline
    output: MqttOutput
    samples: Any
    sent: int = 0

    @classmethod
    def make(cls, file: Path, port: int, person: SyntheticPerson, samples: Any) -> SimulatedDaemon:
        text = block_of("yaml").replace("host: localhost", f"host: 127.0.0.1, port: {port}")
        file.write_text(text)
        rules = load(text, str(file)).rules
        (output,) = outputs.build_all(rules.outputs, file).values()
        assert isinstance(output, MqttOutput)
        columns = [n for n, channel in enumerate(person.info.channels) if channel.kind == "ecg"]
        info = {"": StreamInfo(tuple(person.info.channels[n] for n in columns), person.info.rate)}
        bound = assembly.bindings_for(info, rules.detectors, assembly.kinds_heard(rules))
        return cls(assembly.pipeline_for(info, bound, Engine(rules)), output, samples[:, columns])

    def feed(self, first: int, last: int) -> None:
        for action in self.pipeline.process(Block(self.samples[first:last], first)).actions:
            self.sent += self.output.send(action)


@dataclass
class Told:
    daemons: int = 0
    sent: int = 0
    online: dict[str, int] = field(default_factory=dict)
    offline: dict[str, int] = field(default_factory=dict)
    sources: int = 0
    shared: tuple[int, ...] = ()
    twice: int = 0
    lost_in_group: int = 0
    lost_over_bridge: int = 0
    seconds: float = 0.0


def ids(*subscribers: Subscriber) -> list[tuple[str, str]]:
    """Source and id of each event; CloudEvents 1.0 wants the pair to be unique."""
    found = []
    for subscriber in subscribers:
        for got in list(subscriber.got):
            event = json.loads(got.payload)
            found.append((event["source"], event["id"]))
    return found


def statuses(subscriber: Subscriber, word: str) -> int:
    """How many daemons' last word this is."""
    return list({got.topic: got.payload for got in list(subscriber.got)}.values()).count(word)


async def arrived(condition: Any, within_s: float = 60.0) -> None:
    until_s = time.monotonic() + within_s
    while not condition() and time.monotonic() < until_s:
        await asyncio.sleep(0.05)


async def run(daemons: int, folder: Path) -> Told:
    near = Broker.make(folder / "near", "allow_anonymous true", "max_queued_messages 0").start()
    bridge = block_of("conf").replace("other-hall.example:1883", f"127.0.0.1:{near.port}")
    far = Broker.make(
        folder / "far", "allow_anonymous true", "max_queued_messages 0", *bridge.splitlines()
    ).start()
    await arrived(lambda: "CONNACK" in far.log())
    share = [Subscriber(near.port, f"$share/lamps/{EVENTS}").start() for _ in range(2)]
    everything = Subscriber(far.port, EVENTS).start()
    here, there = Subscriber(near.port, STATUS).start(), Subscriber(far.port, STATUS).start()
    everyone = [*share, everything, here, there]
    persons = [SyntheticPerson(seed, 250.0) for seed in range(PERSONS)]
    signals = [person.generate(round(SIGNAL_S * 250)) for person in persons]
    made = [
        SimulatedDaemon.make(
            folder / f"desk-{number}.yaml",
            (near, far)[number % 2].port,
            persons[number % PERSONS],
            signals[number % PERSONS],
        )
        for number in range(daemons)
    ]
    told = Told(daemons=daemons)
    try:
        await asyncio.gather(*(one.output.open() for one in made))
        await arrived(lambda: statuses(here, "online") == statuses(there, "online") == daemons)
        told.online = {"near": statuses(here, "online"), "far": statuses(there, "online")}
        begun = time.monotonic()
        for first, last in pairwise(range(0, round(SIGNAL_S * 250) + 1, 250)):
            for one in made:
                one.feed(first, last)
            await asyncio.sleep(0)
        told.sent = sum(one.sent for one in made)
        await arrived(lambda: sum(len(s.got) for s in share) >= told.sent <= len(everything.got))
        told.seconds = time.monotonic() - begun
        in_group, over_bridge = ids(*share), ids(everything)
        told.shared = tuple(len(subscriber.got) for subscriber in share)
        told.sources = len({source for source, _ in over_bridge})
        told.twice = len(in_group) - len(set(in_group))
        told.lost_in_group = told.sent - len(set(in_group))
        told.lost_over_bridge = told.sent - len(set(over_bridge))
        await asyncio.gather(*(one.output.close() for one in made))
        await arrived(lambda: statuses(here, "offline") == statuses(there, "offline") == daemons)
        told.offline = {"near": statuses(here, "offline"), "far": statuses(there, "offline")}
    finally:
        for subscriber in everyone:
            subscriber.stop()
        near.stop()
        far.stop()
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--daemons", type=int, default=200)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        told = asyncio.run(run(options.daemons, Path(folder)))
    print(told)
    if options.json:
        options.json.write_text(json.dumps(vars(told), indent=1) + "\n")
    if told.twice or told.lost_in_group or told.lost_over_bridge:
        raise SystemExit("events were lost or worked on twice")


if __name__ == "__main__":
    main()
