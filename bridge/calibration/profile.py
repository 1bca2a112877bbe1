"""A person's profile: settings for each detector with the evidence for them.

A profile holds for the sampling rate, channel kind, unit and detector version it was made with; with others
it is refused, with the reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from bridge.calibration.drift import Bounds, bounds_for
from bridge.calibration.evidence import Counts, Evidence, Fitted, Prediction
from bridge.calibration.tuning import TUNINGS
from bridge.detectors import DETECTORS, DetectorType, SettingsError, settings_from
from bridge.signals.types import Channel

VERSION = 1
# A rate that is measured from arriving samples wanders by less than this; settings do not.
_RATE_TOLERANCE = 0.02
_NOT_MEASURED = "settings were chosen by hand and nothing was measured: calibrate to know how well they work"
_BY_HAND = "settings were changed by hand after this was measured"


class ProfileError(ValueError):
    """A profile cannot be read or does not hold here; the message says where or why, and what to do."""


@dataclass(frozen=True, slots=True)
class MadeOn:
    """The signal a detector was fitted on."""

    channels: tuple[Channel, ...]
    rate_hz: float
    detector_version: int
    filters: str
    date: str  # ISO 8601


@dataclass(frozen=True, slots=True)
class DetectorProfile:
    """One detector's part."""

    settings: Mapping[str, Any]
    made_on: MadeOn
    evidence: Evidence
    bounds: Bounds | None = None


@dataclass(frozen=True, slots=True)
class Profile:
    """``person`` and ``device`` name the file; ``detectors`` by detector name."""

    person: str
    device: str
    detectors: Mapping[str, DetectorProfile] = field(default_factory=dict)

    def settings_for(
        self, detector: str, channels: Sequence[Channel] | None = None, rate: float | None = None
    ) -> Mapping[str, Any]:
        """Settings for a detector on these channels at this rate (Hz); what is None is not checked.

        Raises ProfileError when the profile has no such detector or was made for something else.
        """
        own = self.detectors.get(detector)
        if own is None:
            listed = ", ".join(self.detectors) or "none"
            raise ProfileError(f"the profile has no settings for {detector!r}; it has: {listed}")
        reason = misfit(detector, own.made_on, channels, rate) or _missing(own.settings, channels)
        if reason:
            raise ProfileError(f"the profile's {detector!r} does not hold here: {reason}; calibrate again")
        return dict(own.settings)

    def with_settings(self, detector: str, settings: Mapping[str, Any]) -> Profile:
        """With a detector's settings changed by hand (from the page, say); the evidence says so.

        Raises ProfileError when the profile has no such detector or a setting makes no sense.
        """
        own = self.detectors.get(detector)
        if own is None:
            raise ProfileError(f"the profile has no settings for {detector!r}; calibrate it first")
        changed = {**own.settings, **settings}
        try:
            settings_from(DETECTORS[detector].settings, changed)
        except SettingsError as error:
            raise ProfileError(f"settings of {detector!r}: {error}") from error
        warnings = own.evidence.warnings
        if _BY_HAND not in warnings and _NOT_MEASURED not in warnings:
            warnings = (*warnings, _BY_HAND)
        part = replace(own, settings=changed, evidence=replace(own.evidence, warnings=warnings))
        return replace(self, detectors={**self.detectors, detector: part})


def misfit(detector: str, made_on: MadeOn, channels: Sequence[Channel] | None, rate: float | None) -> str:
    """Why settings made on one signal do not hold on another, or nothing."""
    type_ = DETECTORS.get(detector)
    if type_ is None:
        return f"this program has no detector {detector!r}"
    if made_on.detector_version != type_.version:
        return (
            f"it was made with version {made_on.detector_version} of the detector, this is "
            f"version {type_.version}"
        )
    if rate is not None and abs(rate - made_on.rate_hz) > _RATE_TOLERANCE * made_on.rate_hz:
        return f"it was made at {made_on.rate_hz:g} Hz, this signal has {rate:g} Hz"
    if channels is not None:
        for what in ("kind", "unit"):
            made = sorted({str(getattr(channel, what)) for channel in made_on.channels})
            here = sorted({str(getattr(channel, what)) for channel in channels})
            if made != here:
                return f"it was made on channels of {what} {', '.join(made)}, here are {', '.join(here)}"
    return ""


def _missing(settings: Mapping[str, Any], channels: Sequence[Channel] | None) -> str:
    """Which of the electrodes that the settings name are not here, or nothing."""
    wanted = str(settings.get("electrodes") or "").split()
    here = [] if channels is None else [channel.name for channel in channels]
    missing = [name for name in wanted if name not in here]
    if channels is None or not missing:
        return ""
    return f"electrode {missing[0]} is not among the channels here ({', '.join(here)})"


def part_of(fitted: Fitted, channels: Sequence[Channel], rate_hz: float, date: str) -> DetectorProfile:
    """A profile's part from a fit on these channels at this rate; ``date`` as ISO 8601."""
    type_ = DETECTORS[fitted.detector]
    evidence = fitted.evidence
    value = fitted.settings.get(evidence.setting) if evidence.setting.endswith("threshold") else None
    kinds = TUNINGS[fitted.detector].acts if fitted.detector in TUNINGS else (fitted.detector,)
    return DetectorProfile(
        fitted.settings,
        MadeOn(tuple(channels), rate_hz, type_.version, filters_of(type_), date),
        evidence,
        bounds_for(kinds, "amplitude", evidence.acts_sizes, evidence.curve, value),
    )


def set_by_hand(detector: str, channels: Sequence[Channel], rate_hz: float, date: str) -> DetectorProfile:
    """A part with no settings and no evidence yet, for those that a person chooses; ``date`` as ISO 8601.

    Raises ProfileError for a detector that is not known.
    """
    type_ = DETECTORS.get(detector)
    if type_ is None:
        raise ProfileError(f"this program has no detector {detector!r}")
    nothing = Evidence(Counts({}, 0, 0, 0.0), None, None, Prediction(0, 0, 0, 0.0), warnings=(_NOT_MEASURED,))
    return DetectorProfile(
        {}, MadeOn(tuple(channels), rate_hz, type_.version, filters_of(type_), date), nothing
    )


def filters_of(type_: DetectorType) -> str:
    """What a detector's own conditioning is, in words."""
    return type_.filters or f"those of version {type_.version} of the detector"
