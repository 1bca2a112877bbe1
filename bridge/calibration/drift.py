"""Staying fitted: thresholds follow slow drift within the profile's bounds; a step beyond them is said aloud.

Electrodes dry and muscles tire, so acts grow or shrink by a little a minute: thresholds follow. When acts are
suddenly, or in the end, outside what the profile allows, nothing is re-thresholded silently: the event
``fit-lost`` comes with advice, and ``fit-back`` when they are inside again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from bridge.signals.types import Detection, Event

# Electrodes drying and fatigue change amplitudes by a few per cent a minute (common practice).
FOLLOW_PER_MINUTE = 0.05
# The scale may go this far from the calibration before a new one is due.
_WIDEST = 1.6
_RECENT = 5
# What a running detector can take anew. Everything else adapts to the person by itself: a contraction's
# thresholds are shares of the way from a resting level to a usual one that are both tracked.
_FOLLOWED = ("threshold", "deliberate_threshold", "horizontal_threshold", "vertical_threshold")


@dataclass(frozen=True, slots=True)
class Bounds:
    """Within which sizes of acts the thresholds follow. ``size`` is the event value it is about."""

    kinds: tuple[str, ...]
    size: str
    usual: float
    low: float
    high: float


def bounds_for(
    kinds: Sequence[str],
    size: str,
    acts: Sequence[float],
    curve: Sequence[tuple[float, float, float]] = (),
    value: float | None = None,
) -> Bounds | None:
    """Bounds from a calibration; None without acts.

    A factor of 1.6 either way, but a threshold never sinks to where false activations begin: ``curve`` holds
    setting, hit rate and false activations a minute, ``value`` the setting that was chosen.
    """
    if not acts:
        return None
    usual = median(acts)
    low = usual / _WIDEST
    if value:
        chosen = min(curve, key=lambda point: abs(point[0] - value), default=(value, 0.0, 0.0))
        worse = [setting for setting, _, false in curve if setting < value and false > chosen[2]]
        if worse:
            low = max(low, usual * max(worse) / value)
    return Bounds(tuple(kinds), size, usual, low, usual * _WIDEST)


def _is_width(name: str, settings: Mapping[str, Any]) -> bool:
    """A threshold for how long an act lasts, which has nothing to do with how large acts are."""
    return name == "deliberate_threshold" and settings.get("deliberate_by") == "width"


class DriftWatcher:
    """Sees a detector's detections in order; ``factor`` is what absolute thresholds are multiplied by."""

    def __init__(self, detector: str, settings: Mapping[str, Any], bounds: Bounds) -> None:
        self.factor = 1.0
        self.lost = False
        self._detector = detector
        self._bounds = bounds
        self._base = {
            name: value
            for name, value in settings.items()
            if name in _FOLLOWED and isinstance(value, int | float) and not _is_width(name, settings)
        }
        self._deliberate = settings.get("deliberate_threshold") is not None
        self._recent: deque[float] = deque(maxlen=_RECENT)
        self._followed_s: float | None = None

    def settings(self) -> dict[str, float]:
        """The absolute thresholds as they should be now."""
        return {name: float(value) * self.factor for name, value in self._base.items()}

    def process(self, detections: Iterable[Detection]) -> list[Event]:
        """Take what the detector told; gives ``fit-lost`` and ``fit-back`` events."""
        told: list[Event] = []
        for item in detections:
            if not isinstance(item, Event) or item.detector != self._detector or not self._counts(item):
                continue
            self._recent.append(abs(item.values[self._bounds.size]))
            if len(self._recent) < _RECENT:
                self._followed_s = item.decided
                continue
            now = median(self._recent)
            outside = not self._bounds.low <= now <= self._bounds.high
            if outside != self.lost:
                self.lost = outside
                told.append(self._event(item, now))
            if not outside:
                self._follow(item.decided, now)
            self._followed_s = item.decided
        return told

    def _counts(self, event: Event) -> bool:
        bounds = self._bounds
        if event.kind not in bounds.kinds or bounds.size not in event.values:
            return False
        # The peak of a contraction is known at its end.
        if event.edge == "start":
            return False
        return not self._deliberate or event.values.get("deliberate", 0.0) >= 0.5

    def _follow(self, time_s: float, now: float) -> None:
        assert self._followed_s is not None
        most = FOLLOW_PER_MINUTE * max(0.0, time_s - self._followed_s) / 60
        wanted = now / self._bounds.usual
        self.factor += min(most, max(-most, wanted - self.factor))

    def _event(self, cause: Event, now: float) -> Event:
        share = now / self._bounds.usual
        if self.lost:
            note = (
                f"acts are {share:.0%} of what they were at the calibration: press the electrodes on, or "
                "calibrate again"
            )
        else:
            note = "acts are again as they were at the calibration"
        return Event(
            "fit-lost" if self.lost else "fit-back",
            "instant",
            cause.decided,
            cause.decided,
            cause.channel,
            {"share": share},
            1.0,
            self._detector,
            note,
        )


def apply(detector: Any, thresholds: Mapping[str, float]) -> bool:
    """Give a running detector new thresholds; False where it has none that follow or cannot take them."""
    if not thresholds:
        return False
    try:
        detector.settings = replace(detector.settings, **thresholds)
    except (AttributeError, TypeError):
        return False
    return True
