"""How many events a calibrated person will show in ten seconds at most: beyond that an electrode is loose."""

from __future__ import annotations

from bridge.calibration.evidence import Evidence
from bridge.calibration.intervals import next_count_per
from bridge.detectors.surplus import WINDOW_S

# Nobody means more than two acts a second for ten seconds on end (from memory, common practice).
_ACTS = 20
# An honest stretch of ten seconds in a day of use (5,000 of them) should hardly ever be shut out.
_LEVEL = 0.9998


def most_in_window(evidence: Evidence, physiological: int) -> int:
    """The gate's limit for this person: what was seen unasked, as a next ten seconds may show it, and acts.

    Gamma-Poisson upper bound from the calibration's own count of events that were like an act but not one;
    never above ``physiological``, the detector's limit for anybody.
    """
    counts = evidence.counts
    if counts.minutes <= 0 or not counts.acts:
        return physiological
    window_min = WINDOW_S / 60
    unasked = next_count_per(counts.others, counts.minutes, window_min, _LEVEL).high * window_min
    return min(physiological, _ACTS + round(unasked))
