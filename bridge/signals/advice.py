"""What to do about a channel's verdict: common practice of people who record body signals.

All of it is common practice; figures are those of the trade (5 m from mains appliances, the bone behind the
ear as the reference's place).
"""

from __future__ import annotations

from bridge.signals.figures import (
    POOR_CLIPPED,
    POOR_HUM_SHARE,
    POOR_JUMPS,
    POOR_LOST,
    POOR_NOISE_SHARE,
    QualityFigures,
    QualitySnapshot,
    Reason,
    is_muscle,
)
from bridge.signals.types import Channel, ChannelKind

_SKIN = "Prepare the skin: rub it with gel, wipe it dry, and press the electrode on again."
_MAINS = (
    "Sit 5 m away from mains appliances and their leads, and take the laptop off its charger.",
    "Keep the electrode leads short, together and away from mains leads.",
)

_MUSCLE = (
    "Place the electrodes 20 mm apart along the muscle (on the forearm: its ulnar side), the reference on a "
    "bone."
)

_PLACE: dict[ChannelKind, str] = {
    "eeg": "Place the electrodes at Fp1 and Fp2 on the forehead, clear of hair, the reference on the bone "
    "behind the ear.",
    "eog-horizontal": "Place the electrodes left and right beside the eyes, the reference on the bone behind "
    "the ear.",
    "eog-vertical": "Place the electrodes above and below one eye, the reference on the bone behind the ear.",
    "emg": _MUSCLE,
    "emg-envelope": _MUSCLE,
    "ecg": "Place the electrodes on both sides of the heart, the reference on a bone.",
}

_ADVICE: dict[Reason, tuple[str, ...]] = {
    Reason.FINE: (),
    Reason.FLAT: (
        "Nothing arrives on this channel: check that its lead is plugged in and that it is the right column.",
        "Check that the amplifier has power.",
    ),
    Reason.STALLED: (
        "The same value comes again and again: check the lead and the plug, then restart the board.",
    ),
    Reason.RAILED: (
        "The amplifier is at the end of its range: check that no electrode has come off, the reference too.",
        _SKIN,
        "If it stays there, lower the gain or wait a minute for new electrodes to settle.",
    ),
    Reason.LOST: (
        "Samples are missing: use a shorter cable or another port, and close other programs.",
        "Raise the baud rate, or lower the sampling rate or the number of channels on the board.",
    ),
    Reason.LOOSE: ("Only hum is left: an electrode or its lead has come off. Press it on again.", _SKIN),
    Reason.CLIPPED: ("Peaks are cut off: lower the gain.",),
    Reason.HUM: (*_MAINS, _SKIN),
    Reason.NOISE: (
        "Relax the muscles near the electrodes: jaw, forehead, neck and shoulders.",
        _SKIN,
    ),
    Reason.JUMPS: (
        "Something moves: tape the leads to the skin so that they do not pull on the electrodes.",
        _SKIN,
    ),
}
_WITH_PLACE = {Reason.RAILED, Reason.LOOSE, Reason.HUM, Reason.NOISE}


def advice_for(reason: Reason, kind: ChannelKind) -> tuple[str, ...]:
    """What to try, the most likely remedy first; nothing where all is fine."""
    steps = _ADVICE[reason]
    return (*steps, _PLACE[kind]) if reason in _WITH_PLACE else steps


def describe(figures: QualityFigures, channel: Channel) -> str:
    """The figures in one line for people, each with the limit beyond which it could be better."""
    hum_hz, hum = max(((50, figures.hum_50_share), (60, figures.hum_60_share)), key=lambda item: item[1])
    noise_limit = "" if is_muscle(channel.kind) else f" (limit {POOR_NOISE_SHARE:.0%})"
    parts = [
        f"{figures.rms:.3g} {channel.unit} rms",
        f"{figures.peak_to_peak:.3g} {channel.unit} peak to peak",
        f"{hum:.0%} hum at {hum_hz} Hz (limit {POOR_HUM_SHARE:.0%})",
        f"{figures.noise_share:.0%} above 40 Hz{noise_limit}",
        f"{figures.clipped:.1%} clipped (limit {POOR_CLIPPED:.0%})",
        f"{figures.lost:.1%} lost (limit {POOR_LOST:.0%})",
        f"{figures.jumps} jump{'' if figures.jumps == 1 else 's'} (limit {POOR_JUMPS - 1})",
    ]
    return ", ".join(parts)


def advice_of(snapshot: QualitySnapshot) -> tuple[str, ...]:
    """What to try for a channel as it is now."""
    return advice_for(snapshot.reason, snapshot.channel.kind)
