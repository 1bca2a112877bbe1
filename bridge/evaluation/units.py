"""Is a recording in the unit that a profile was made in? Asked before a detector finds nothing in it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bridge.calibration.profile import DetectorProfile, ProfileError
from bridge.recordings import Recording

# Units lie a thousand apart (V, mV, µV); half way to the next, by ratio, is nearer to another than to ours.
_NEXT_UNIT = 1000.0**0.5


def check_unit(recording: Recording, columns: Sequence[int], detector: str, part: DetectorProfile) -> None:
    """Compare the recording with the sizes of the acts that the detector was fitted on.

    Where the whole signal spans less than a small part of one act, no act can be in it; where its usual
    second spans many acts, everything would look like one. Raises ProfileError.
    """
    sizes = [size for size in part.evidence.acts_sizes if size > 0]
    unit = part.made_on.channels[0].unit
    if not sizes or part.evidence.unit != unit:
        return
    usual = float(np.median(sizes))
    whole, second = _spans(recording, list(columns))
    if not whole > 0:
        return  # flat or empty: that is told by the signal's quality
    if whole < usual / _NEXT_UNIT:
        much, seen = f"the whole recording spans {whole:.3g}", "smaller"
    elif second > usual * _NEXT_UNIT:
        much, seen = f"a usual second of the recording spans {second:.3g}", "larger"
    else:
        return
    said = "" if unit == "count" else f" {unit}"
    name = recording.info.channels[columns[0]].name
    raise ProfileError(
        f"the profile's {detector!r} cannot be meant for this unit: it was fitted on acts of "
        f"{usual:.3g}{said}, and on {name} {much}: far {seen}. "
        f"Say the recording's unit in its header, as in `{name} [mV]`, or calibrate again "
        "with such a recording"
    )


def _spans(recording: Recording, columns: list[int]) -> tuple[float, float]:
    """Peak to peak of the whole, and of the median second; of the column where it is largest."""
    low, high = np.full(len(columns), np.inf), np.full(len(columns), -np.inf)
    seconds = []
    for block in recording.blocks(max(2, round(recording.info.rate))):
        samples = block.samples[:, columns]
        samples = samples[np.isfinite(samples).all(axis=1)]
        if not len(samples):
            continue
        least, most = samples.min(axis=0), samples.max(axis=0)
        low, high = np.minimum(low, least), np.maximum(high, most)
        seconds.append(most - least)
    if not seconds:
        return 0.0, 0.0
    return float((high - low).max()), float(np.median(seconds, axis=0).max())
