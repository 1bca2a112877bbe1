"""What `run` prints on stdout: events and what each led to, as text or JSON Lines."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from bridge.outputs import records
from bridge.pipeline import Pipeline
from bridge.rules.actions import Action
from bridge.service.dispatch import Result
from bridge.service.output_stream import OutputStream
from bridge.signals.types import Block, Detection, Event, Level, StreamInfo, moment

_RESULT_WORDS: dict[Result, str] = {
    "sent": "",
    "shown": "",
    "disarmed": "  (not sent: disarmed)",
    "paused": "  (not sent: paused)",
    "refused": "  (refused)",
}


def describe_event(event: Event) -> str:
    """One event in words: kind, edge, channel and values."""
    edge = "" if event.edge == "instant" else f" {event.edge}"
    values = "  ".join(f"{name} {value:.4g}" for name, value in event.values.items())
    note = f"  {event.note}" if event.note else ""
    return f"{event.kind}{edge}  {event.channel}  {values}{note}".rstrip()


def describe_action(action: Action) -> str:
    """One action in words: output, what it does, the rule that wants it."""
    body = "  ".join(f"{name} {_plain(value)}" for name, value in action.act.to_json().items())
    return f"{action.output}: {body}  [{action.rule}]"


def _plain(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


class Printer:
    """A tap that prints events and actions in order of time.

    What levels send, many times a second, is printed as JSON only; levels themselves and the channels'
    verdicts with ``all_types`` only. ``pipeline`` is whose verdicts those are.
    """

    def __init__(
        self,
        out: OutputStream,
        *,
        as_json: bool,
        all_types: bool = False,
        pipeline: Callable[[], Pipeline | None] = lambda: None,
    ) -> None:
        self._out = out
        self._as_json = as_json
        self._all_types = as_json and all_types
        self._pipeline = pipeline
        self._verdicts: dict[tuple[str, str], tuple[str, str]] = {}

    def opened(self, infos: Mapping[str, StreamInfo]) -> None:
        """Nothing to print."""

    def block(self, stream: str, block: Block) -> None:
        """Verdicts that have changed."""
        if not self._all_types:
            return
        pipeline = self._pipeline()
        chain = pipeline.chains.get(stream) if pipeline is not None else None
        for record in records.turned(stream, chain, self._verdicts):
            self._out.line(json.dumps(record, ensure_ascii=False))

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, Result]]) -> None:
        lines: list[tuple[float, int, str]] = [
            (moment(item), 0, self._event_line(item)) for item in detections if isinstance(item, Event)
        ]
        if self._all_types:
            lines.extend(
                (item.time, 0, json.dumps(records.of_level(item), ensure_ascii=False, allow_nan=False))
                for item in detections
                if isinstance(item, Level)
            )
        lines.extend(
            (action.time, 1, self._action_line(action, result))
            for action, result in actions
            if self._as_json or not isinstance(action.cause, Level)
        )
        lines.sort(key=lambda line: line[:2])
        for _, _, text in lines:
            self._out.line(text)

    def closed(self) -> None:
        """Whoever opened the stream finishes it."""

    def report(self) -> Mapping[str, Any]:
        return {"lines_not_printed": self._out.dropped}

    def _event_line(self, event: Event) -> str:
        if self._as_json:
            return json.dumps(records.of_event(event), ensure_ascii=False, allow_nan=False)
        return f"{event.onset:9.3f} s  {describe_event(event)}"

    def _action_line(self, action: Action, result: Result) -> str:
        if self._as_json:
            return json.dumps(records.of_action(action, result), ensure_ascii=False, allow_nan=False)
        verb = "would send " if result == "shown" else ""
        return f"{action.time:9.3f} s    → {verb}{describe_action(action)}{_RESULT_WORDS[result]}"
