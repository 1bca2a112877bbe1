"""The word that was probably meant: nearly spelt so, or another name for the same thing."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

# What people call things, and what they are called here: events and detectors, what rules do, commands.
_MEANT = {
    "contraction": "squeeze squeezing fist clench clenching grip gripping flex muscle tension emg",
    "blink": "wink winking blinking eyelid",
    "heartbeat": "pulse beat heart ecg qrs",
    "gaze": "glance glances saccade eye-movement eog",
    "gaze-left": "glance-left look-left left",
    "gaze-right": "glance-right look-right right",
    "gaze-up": "glance-up look-up up",
    "gaze-down": "glance-down look-down down",
    "long-closure": "closed eyes-closed closure eyes-shut",
    "drowsiness": "drowsy sleepy sleepiness tired tiredness",
    "alpha": "relaxed relaxation alpha-wave alpha-rhythm",
    "contraction-level": "squeeze-level effort force strength",
    "heart-rate": "bpm pulse-rate",
    "heart-variability": "hrv",
    "press": "key keystroke keypress tap",
    "type": "write text",
    "mouse": "click scroll pointer cursor",
    "send": "osc",
    "publish": "mqtt",
    "run": "start go launch begin",
    "stop": "quit exit end kill halt",
    "resume": "continue unpause",
    "status": "info state",
    "new": "create init template",
    "ports": "devices boards list port serial",
    "calibrate": "train learn fit calibration",
    "check": "test quality signal",
    "record": "capture save",
    "detect": "analyse analyze find events",
    "evaluate": "score compare measure",
    "firmware": "flash sketch board",
    "rules": "rule validate explain lint",
    "login": "password secret credentials",
    "unit": "service systemd autostart",
    "demo": "simulate simulation try example",
}
SYNONYMS = {said: meant for meant, words in _MEANT.items() for said in words.split()}
_LONGEST = 80
_CLOSENESS = 0.6


def nearest(word: str, known: Iterable[str], closeness: float = _CLOSENESS) -> str:
    """The known word that was probably meant, or nothing. Case, blanks and underscores make no difference.

    ``closeness``: how much alike spellings must be, 0 to 1, as ``difflib`` measures it.
    """
    by_folded = {_folded(name): name for name in known}
    folded = _folded(word)
    for said in (folded, folded.removesuffix("s")):
        meant = SYNONYMS.get(said)
        if meant in by_folded:
            return by_folded[meant]
    found = difflib.get_close_matches(folded, by_folded, n=1, cutoff=closeness)
    return by_folded[found[0]] if found else ""


def _folded(word: str) -> str:
    return word[:_LONGEST].strip().lower().replace(" ", "-").replace("_", "-")
