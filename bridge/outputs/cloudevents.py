"""Events as CloudEvents 1.0 in JSON. Source: the specification and its JSON format (from memory)."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import quote

from bridge.rules.actions import Action
from bridge.signals.types import Event, Level

CONTENT_TYPE: Final = "application/cloudevents+json; charset=utf-8"
TYPE_PREFIX: Final = "biosignal-bridge"


def onset_ago_s(action: Action) -> float:
    """How long before the action was decided the thing that caused it began; 0 when nobody knows."""
    cause = action.cause
    began = cause.onset if isinstance(cause, Event) else cause.time if cause is not None else action.time
    ago = action.time - began
    return ago if math.isfinite(ago) and ago > 0 else 0.0


def cloud_event(action: Action, *, id_: str, source: str, now_s: float) -> dict[str, Any]:
    """The event or level that caused an action, as a CloudEvent.

    ``id_`` must be unique for the source, ``source`` is a URI reference, ``now_s`` the wall clock at which
    the action was decided (seconds since 1970); ``time`` becomes the onset's.
    """
    cause = action.cause
    if isinstance(cause, Event):
        kind = f"{cause.kind}.{cause.edge}"
        data = cause.to_json()
    elif isinstance(cause, Level):
        kind = cause.kind
        data = {
            "kind": cause.kind,
            "time": cause.time,
            "value": cause.value,
            "channel": cause.channel,
            "detector": cause.detector,
        }
    else:
        kind = "rule"
        data = {"time": action.time}
    return envelope(
        kind,
        data,
        id_=id_,
        source=source,
        began_s=now_s - onset_ago_s(action),
        subject=cause.channel if cause is not None else "",
        rule=action.rule,
    )


def envelope(
    kind: str,
    data: dict[str, Any],
    *,
    id_: str,
    source: str,
    began_s: float,
    subject: str = "",
    rule: str = "",
) -> dict[str, Any]:
    """``data`` as a CloudEvent of the type ``biosignal-bridge.<kind>``.

    ``id_`` must be unique for the source, ``source`` is a URI reference, ``began_s`` the wall clock at which
    it began (seconds since 1970).
    """
    began = datetime.fromtimestamp(began_s, UTC)
    event: dict[str, Any] = {
        "specversion": "1.0",
        "id": id_,
        "source": quote(source, safe="/-._~"),
        "type": f"{TYPE_PREFIX}.{kind}",
        "time": began.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "datacontenttype": "application/json",
    }
    if subject:
        event["subject"] = subject
    if rule:
        event["rule"] = rule
    event["data"] = finite(data)
    return event


def encode(event: dict[str, Any]) -> str:
    return json.dumps(event, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def finite(value: Any) -> Any:
    """JSON knows no NaN and no infinity: they become null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite(each) for key, each in value.items()}
    return value
