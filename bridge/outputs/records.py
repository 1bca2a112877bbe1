"""Events, levels, actions and the signal's state as plain JSON objects, each with a ``type``.

`run --json` prints them as lines, and the local stream (``monitor/stream.py``) sends them;
demos/guides/events.md is for those who read them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from bridge.rules.actions import Action
from bridge.signals.figures import Reason
from bridge.signals.types import Detection, Event, Level, StreamInfo, moment

if TYPE_CHECKING:
    from bridge.pipeline import DetectionChain

TYPES = ("event", "level", "action", "signal")


def of_event(event: Event) -> dict[str, Any]:
    return {"type": "event", **event.to_json()}


def of_level(level: Level) -> dict[str, Any]:
    """``value`` is None where it is no finite number, which JSON does not have."""
    value = level.value if math.isfinite(level.value) else None
    return {
        "type": "level",
        "kind": level.kind,
        "time": level.time,
        "value": value,
        "channel": level.channel,
        "detector": level.detector,
    }


def of_action(action: Action, result: str) -> dict[str, Any]:
    """``result``: sent, shown (with --dry-run), disarmed, paused or refused."""
    return {"type": "action", **action.to_json(), "result": result}


def of_signal(stream: str, channel: str, verdict: str, reason: str) -> dict[str, Any]:
    """A channel's verdict: good, poor or bad, and why it is not good."""
    return {"type": "signal", "stream": stream, "channel": channel, "verdict": verdict, "reason": reason}


def turned(
    stream: str, chain: DetectionChain | None, known: dict[tuple[str, str], tuple[str, str]]
) -> list[dict[str, Any]]:
    """Records of the channels whose verdict is not the one in ``known``, which is brought up to date."""
    found = []
    for quality in chain.quality if chain is not None else ():
        name = quality.channel.name
        verdict = (quality.verdict.value, "" if quality.reason is Reason.FINE else str(quality.reason))
        if known.get((stream, name)) != verdict:
            known[(stream, name)] = verdict
            found.append(of_signal(stream, name, *verdict))
    return found


def of_stream(name: str, info: StreamInfo) -> dict[str, Any]:
    """What a stream carries, for those who have just begun to listen."""
    channels = [{"name": one.name, "kind": one.kind, "unit": one.unit} for one in info.channels]
    return {"name": name, "rate_hz": info.rate, "channels": channels}


def of_outcome(
    detections: Sequence[Detection], actions: Sequence[tuple[Action, str]]
) -> list[tuple[dict[str, Any], Detection | Action]]:
    """The records of what one block led to, in order of time, each with what it was made of."""
    made: list[tuple[float, int, dict[str, Any], Detection | Action]] = [
        (moment(item), 0, of_event(item) if isinstance(item, Event) else of_level(item), item)
        for item in detections
    ]
    made.extend((action.time, 1, of_action(action, result), action) for action, result in actions)
    made.sort(key=lambda entry: entry[:2])
    return [entry[2:] for entry in made]
