"""What a channel carries, told from its name.

Names follow the International 10-20 System for EEG, the usual names of ECG leads, and the labels of the
EDF+ specification (section 2.1.3, "standard texts": a type such as ``EEG`` or ``ECG``, then the place).
"""

from __future__ import annotations

import re

from bridge.signals.types import CHANNEL_KINDS, ChannelKind, Unit

# International 10-20 and 10-10 sites, alone or against a reference or another site (Fp1, Fp1-A2, O1-Ref).
_SITE = r"(?:fp|af|f|ft|fc|t|tp|c|cp|p|po|o|n)(?:z|\d{1,2})"
_ELECTRODE = re.compile(rf"{_SITE}(?:[-–/:](?:{_SITE}|[am][12]|ref|avg|le|re))?")
# Limb, augmented, chest and modified leads: common practice in electrocardiography.
_ECG_LEAD = re.compile(r"(?:i|ii|iii|av[rlf]|v[1-9]r?|mli|mlii|mliii|mcl\d|mv\d|cm\d|cc5|d[1-4])")
_ALONE: dict[str, ChannelKind] = {
    **{kind: kind for kind in CHANNEL_KINDS},
    "horizontal": "eog-horizontal",
    "vertical": "eog-vertical",
    "heog": "eog-horizontal",
    "veog": "eog-vertical",
    "envelope": "emg-envelope",
    "ekg": "ecg",
}
_TYPES: dict[str, ChannelKind] = {"eeg": "eeg", "ecg": "ecg", "ekg": "ecg", "emg": "emg"}
_DIRECTIONS: dict[str, ChannelKind] = {
    "horizontal": "eog-horizontal",
    "h": "eog-horizontal",
    "vertical": "eog-vertical",
    "v": "eog-vertical",
}
_UNIT_SUFFIX = re.compile(r"\s*[\[(]\s*([^\])]*?)\s*[\])]\s*$")
# `ecg_mV`, `ecg / uV`: a V alone may as well stand for vertical.
_TRAILING_UNIT = re.compile(r"[\s_/]([mnuµμ]V)\s*$", re.IGNORECASE)
_MICRO = str.maketrans({"µ": "u", "μ": "u"})


def channel_name(label: str) -> str:
    """The label without a unit in brackets and without blanks round it."""
    return _UNIT_SUFFIX.sub("", label.strip()) or label.strip()


def kind_of(label: str) -> ChannelKind | None:
    """The kind that a column's name says, or None. Upper and lower case make no difference."""
    name = channel_name(label).lower()
    words = [word for word in re.split(r"[\s_\-]+", name) if word]
    joined = "-".join(words)
    numberless = re.sub(r"[-\s]?\d+$", "", joined)
    for candidate in (joined, numberless):
        if candidate in _ALONE:
            return _ALONE[candidate]
    if _ELECTRODE.fullmatch(name.replace(" ", "")):
        return "eeg"
    if _ECG_LEAD.fullmatch(name.replace(" ", "")):
        return "ecg"
    if "eog" in words:
        directions = {_DIRECTIONS[word] for word in words if word in _DIRECTIONS}
        return directions.pop() if len(directions) == 1 else None
    if "emg" in words and "envelope" in words:
        return "emg-envelope"
    types = {_TYPES[re.sub(r"\d+$", "", word)] for word in words if re.sub(r"\d+$", "", word) in _TYPES}
    return types.pop() if len(types) == 1 else None


def unit_of(text: str) -> tuple[Unit, float]:
    """The unit we keep a physical dimension in, and the factor to get there; unknown ones stay counts."""
    plain = text.strip().translate(_MICRO)
    known: dict[str, tuple[Unit, float]] = {
        "uV": ("uV", 1.0),
        "mV": ("mV", 1.0),
        "V": ("uV", 1e6),
        "nV": ("uV", 1e-3),
    }
    return (
        known.get(plain)
        or known.get({"uv": "uV", "mv": "mV", "v": "V"}.get(plain.lower(), ""))
        or ("count", 1.0)
    )


def unit_in(label: str) -> str:
    """The unit at the end of a column's name, in brackets, or after ``_``, ``/`` or a blank; or nothing."""
    found = _UNIT_SUFFIX.search(label) or _TRAILING_UNIT.search(label)
    return found.group(1) if found else ""
