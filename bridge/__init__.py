"""Turns blinks, glances, muscle contractions and heartbeats into control of a computer.

What other programs may rely on stands in ``bridge.library`` and can be had from here, as ``bridge.detect``.
It is loaded when it is first asked for: ``import bridge`` by itself loads nothing.
"""

from __future__ import annotations

TYPE_CHECKING = False  # as type checkers know it, without loading `typing`

if TYPE_CHECKING:
    from bridge.library import *  # noqa: F403

# Those of bridge.library; tests/test_library.py holds the two together.
__all__ = [
    "Action",
    "Annotation",
    "BindingError",
    "Channel",
    "ChannelChoice",
    "Event",
    "LabelError",
    "Level",
    "LiveDetection",
    "LiveRules",
    "Outcome",
    "Profile",
    "ProfileError",
    "Recording",
    "RecordingError",
    "RuleFile",
    "RuleFileErrors",
    "Score",
    "SettingsError",
    "StreamInfo",
    "array_of",
    "detect",
    "detector_names",
    "evaluate",
    "fit",
    "parse_rules",
    "read",
    "read_annotations",
    "read_profile",
    "read_rules",
    "recording_of",
    "synthetic",
    "write_profile",
]

__version__ = "0.1.0"


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module 'bridge' has no attribute {name!r}")
    from importlib import import_module

    value: object = getattr(import_module("bridge.library"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
