"""A broker that is stopped and started under a steady stream: what arrives, how old, how often."""

from __future__ import annotations

import asyncio
import json
import os
import time
from collections import Counter
from pathlib import Path
from typing import Any

import components

from bridge.outputs.mqtt import MqttOutput, make_broker
from bridge.rules.actions import Action, Publish
from bridge.signals.types import Event

TOPIC = "lab/blink"
AGE_S = 2.0
EVERY_S = 0.02
# What the broker, the loopback and the subscriber may add to an age.
SLACK_S = 0.5


def blink_now() -> Action:
    """A blink whose sample time is the monotonic clock, so that its age can be told where it arrives."""
    now_s = time.monotonic()
    cause = Event("blink", "instant", now_s, now_s, "forehead", {"amplitude": 100.0})
    return Action(now_s, "a rule", "lamp", Publish(TOPIC, None, 1, False), cause=cause)


async def stream(folder: Path, restarts: int, *, up_s: float = 2.0, down_s: float = 1.0) -> dict[str, Any]:
    """Counts over so many restarts. Half of them kill the broker, half end it in order."""
    import signal

    broker = components.Broker.make(folder).start()
    heard = components.Subscriber(broker.port, TOPIC).start()
    output = MqttOutput(
        "lamp", make_broker("127.0.0.1", broker.port), source="test", per_second=1000, longest_age_s=AGE_S
    )
    await output.open()
    sent = 0
    memory_kb: list[int] = []

    async def send_for(seconds: float) -> None:
        nonlocal sent
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            sent += output.send(blink_now())
            await asyncio.sleep(EVERY_S)

    try:
        await send_for(up_s)
        for number in range(restarts):
            broker.stop(signal.SIGKILL if number % 2 else signal.SIGTERM)
            await send_for(down_s)
            broker.start()
            await send_for(up_s)
            memory_kb.append(resident_kb())
        await send_for(3.0)  # the last wait of the back-off
    finally:
        await output.close()
        heard.stop()
        broker.stop()
    events = [(json.loads(each.payload), each) for each in heard.got]
    firsts = Counter(event["id"] for event, each in events if not (each.dup or event.get("resent")))
    ages = [each.at - event["data"]["decided"] for event, each in events]
    return {
        "restarts": restarts,
        "sent": sent,
        "arrived": len(events),
        "arrived_twice_unmarked": sum(count > 1 for count in firsts.values()),
        "resent_marked": output.resent,
        "dropped_by_age_or_room": output.counts.dropped,
        "connections": output.connections,
        "oldest_s": max(ages),
        "age_limit_s": AGE_S,
        "memory_growth_kb": memory_kb[-1] - memory_kb[len(memory_kb) // 4] if memory_kb else 0,
    }


def resident_kb() -> int:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") // 1024
