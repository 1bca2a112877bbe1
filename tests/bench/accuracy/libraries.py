"""Reference detectors of general libraries; all of them see the whole record, ours sees only the past.

Samples have the shape (n, channels); lost ones are bridged by a line.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from functools import partial
from typing import Literal

import numpy as np

from bridge.signals.types import Samples


def heartbeats(samples: Samples, rate_hz: float) -> dict[str, Samples]:
    """R peaks (s) by library."""
    import neurokit2
    import sleepecg
    from wfdb import processing

    rate, lead = int(rate_hz), samples[:, 0] if samples.ndim > 1 else samples

    def cleaned(method: str) -> Samples:
        return np.asarray(neurokit2.ecg_clean(lead, sampling_rate=rate, method=method))

    def peaks(signal: Samples, method: str) -> Samples:
        found = neurokit2.ecg_peaks(signal, sampling_rate=rate, method=method)[1]["ECG_R_Peaks"]
        return np.asarray(found)

    return _each(
        {
            "neurokit2": lambda: peaks(cleaned("neurokit"), "neurokit"),
            "christov": lambda: peaks(lead, "christov2004"),
            "pantompkins": lambda: peaks(cleaned("pantompkins1985"), "pantompkins1985"),
            "sleepecg": lambda: sleepecg.detect_heartbeats(lead, rate),
            "wfdb xqrs": lambda: processing.xqrs_detect(lead, rate, verbose=False),
        },
        rate_hz,
    )


def _each(ways: dict[str, Callable[[], Samples]], rate_hz: float) -> dict[str, Samples]:
    """Times (s) by each way. One that raises an error on a recording has found nothing there."""
    found = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, way in ways.items():
            try:
                found[name] = np.asarray(way(), dtype=float) / rate_hz
            except (ValueError, IndexError, KeyError, ZeroDivisionError) as error:
                print(f"{name}: {error}", file=sys.stderr)
                found[name] = np.zeros(0)
    return found


def blinks(samples: Samples, rate_hz: float) -> dict[str, Samples]:
    """Blink peaks (s) by library, on the mean of the channels, turned so that its longer tail is upwards."""
    import mne
    import neurokit2
    from scipy.stats import skew

    lead = samples.mean(axis=1)
    # Of what is left without the drift, or that decides.
    slow = neurokit2.signal_filter(lead, sampling_rate=rate_hz, lowcut=0.3, order=2)
    if skew(slow) < 0:
        lead = -lead
    clean = neurokit2.eog_clean(lead, sampling_rate=rate_hz, method="neurokit")

    def of_mne() -> Samples:
        info = mne.create_info(["EOG"], rate_hz, "eog", verbose="error")
        raw = mne.io.RawArray(lead[None] * 1e-6, info, verbose="error")
        return np.asarray(mne.preprocessing.find_eog_events(raw, ch_name="EOG", verbose="error")[:, 0])

    ways: dict[str, Callable[[], Samples]] = {
        f"neurokit2 {method}": partial(neurokit2.eog_findpeaks, clean, sampling_rate=rate_hz, method=method)
        for method in ("mne", "brainstorm", "neurokit")
    }
    return _each({**ways, "mne": of_mne}, rate_hz)


def contractions(samples: Samples, rate_hz: float) -> dict[str, Samples]:
    """Onsets (s) by library, on the electrode with the largest amplitude."""
    import neurokit2

    best = samples[:, int(np.argmax(samples.std(axis=0)))]
    found = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # The library's own cleaning begins at 100 Hz, which a rate of 200 Hz does not carry.
        clean = neurokit2.signal_filter(best - best.mean(), sampling_rate=rate_hz, lowcut=20, order=4)
        amplitude = neurokit2.emg_amplitude(clean)
        for method in ("threshold", "mixture"):
            options = {"threshold": "default"} if method == "threshold" else {}
            _, info = neurokit2.emg_activation(
                emg_amplitude=amplitude, sampling_rate=round(rate_hz), method=method, **options
            )
            found[f"neurokit2 {method}"] = np.asarray(info["EMG_Onsets"], dtype=float) / rate_hz
    return found


Edge = Literal["instant", "start"]
# By detector: the function, and the kind and edge of the event that its times stand for.
FOR: dict[str, tuple[Callable[[Samples, float], dict[str, Samples]], str, Edge]] = {
    "heartbeat": (heartbeats, "heartbeat", "instant"),
    "blink": (blinks, "blink", "instant"),
    "contraction": (contractions, "contraction", "start"),
}
