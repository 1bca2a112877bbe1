"""The registry of detectors, and of what they tell.

Detectors of other packages are found by the entry point group ``biosignal_bridge.detectors``; each names a
``DetectorType``.
"""

from __future__ import annotations

import logging
from importlib.metadata import entry_points
from typing import Final

from bridge.detectors import alpha, blink, contraction, drowsiness, gaze, heartbeat
from bridge.detectors.kinds import STATE_EVENTS, EventType, LevelType
from bridge.detectors.protocol import Detector, DetectorType, SettingsError, Trace, settings_from

_GROUP: Final = "biosignal_bridge.detectors"
log = logging.getLogger("bridge")


def _all() -> dict[str, DetectorType]:
    """Our own first; one from elsewhere that breaks, or takes a name or kind that is there, is left out."""
    found = {item.TYPE.name: item.TYPE for item in (blink, gaze, contraction, heartbeat, drowsiness, alpha)}
    for entry in entry_points(group=_GROUP):
        try:
            type_ = entry.load()
            if not isinstance(type_, DetectorType):
                raise TypeError(f"{entry.value} is no DetectorType")
            taken = {name for other in found.values() for name in (other.name, *other.tells)}
            if twice := taken & {type_.name, *type_.tells}:
                raise ValueError(f"{', '.join(sorted(twice))} is there already")
        except Exception as error:  # whatever it is, the others work
            log.error("the detector %r cannot be used: %s", entry.name, error)
            continue
        found[type_.name] = type_
    return found


DETECTORS: Final[dict[str, DetectorType]] = _all()
EVENT_TYPES: Final[dict[str, EventType]] = {
    item.kind: item
    for item in (*(event for type_ in DETECTORS.values() for event in type_.events), *STATE_EVENTS)
}
LEVEL_TYPES: Final[dict[str, LevelType]] = {
    level.kind: level for type_ in DETECTORS.values() for level in type_.levels
}

__all__ = [
    "DETECTORS",
    "EVENT_TYPES",
    "LEVEL_TYPES",
    "Detector",
    "DetectorType",
    "EventType",
    "LevelType",
    "SettingsError",
    "Trace",
    "settings_from",
]
