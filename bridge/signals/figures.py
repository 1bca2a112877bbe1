"""What is said of a channel over ten seconds: its figures, their limits, and the verdict that they give."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import Final

from bridge.signals.types import Channel, ChannelKind

POOR_HUM_SHARE: Final = 0.5
POOR_NOISE_SHARE: Final = 0.5
POOR_CLIPPED: Final = 0.01
POOR_LOST: Final = 0.02
POOR_JUMPS: Final = 2


class Verdict(Enum):
    GOOD = "good"
    POOR = "poor"
    BAD = "bad"


class Reason(StrEnum):
    """Why a verdict is not good."""

    FINE = "fine"
    FLAT = "flat"
    STALLED = "stalled"
    RAILED = "railed"
    LOST = "lost samples"
    LOOSE = "loose electrode"
    CLIPPED = "clipped"
    HUM = "mains hum"
    NOISE = "high-frequency noise"
    JUMPS = "jumps"


@dataclass(frozen=True, slots=True)
class QualityFigures:
    """Of the last ten seconds; amplitudes in the channel's unit, the rest medians of one-second windows.

    Shares are of the power above 1.5 Hz: mains hum with its harmonics, and what lies above 40 Hz besides.
    ``clipped`` and ``lost`` are fractions of all samples, ``jumps`` a count.
    """

    rms: float = 0.0
    peak_to_peak: float = 0.0
    hum_50_share: float = 0.0
    hum_60_share: float = 0.0
    noise_share: float = 0.0
    clipped: float = 0.0
    lost: float = 0.0
    jumps: int = 0
    longest_repeat_s: float = 0.0


@dataclass(frozen=True, slots=True)
class QualitySnapshot:
    """What a channel was like in the last ten seconds: the verdict is that of the figures."""

    channel: Channel
    verdict: Verdict
    reason: Reason
    figures: QualityFigures


def is_muscle(kind: ChannelKind) -> bool:
    """Is what lies above 40 Hz the signal itself, and no noise?"""
    return kind in ("emg", "emg-envelope")


def over_limit(figures: QualityFigures, kind: ChannelKind) -> Reason:
    """Which figure is over its limit, the worst kind first; FINE when none is."""
    if figures.lost > POOR_LOST:
        return Reason.LOST
    if figures.clipped > POOR_CLIPPED:
        return Reason.CLIPPED
    if figures.jumps >= POOR_JUMPS:
        return Reason.JUMPS
    if max(figures.hum_50_share, figures.hum_60_share) > POOR_HUM_SHARE:
        return Reason.HUM
    if not is_muscle(kind) and figures.noise_share > POOR_NOISE_SHARE:
        return Reason.NOISE
    return Reason.FINE
