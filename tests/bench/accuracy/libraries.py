"""Reference detectors of general libraries; all of them see the whole record, ours sees only the past."""

from __future__ import annotations

import warnings

import numpy as np

from bridge.signals.types import Samples


def heartbeats(samples: Samples, rate_hz: float) -> dict[str, Samples]:
    """R peaks (s) by library."""
    import neurokit2
    import sleepecg
    from wfdb import processing

    rate = int(rate_hz)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        clean = neurokit2.ecg_clean(samples, sampling_rate=rate)
        found = {
            "neurokit2": neurokit2.ecg_peaks(clean, sampling_rate=rate)[1]["ECG_R_Peaks"],
            "christov": neurokit2.ecg_peaks(samples, sampling_rate=rate, method="christov2004")[1][
                "ECG_R_Peaks"
            ],
            "pantompkins": neurokit2.ecg_peaks(
                neurokit2.ecg_clean(samples, sampling_rate=rate, method="pantompkins1985"),
                sampling_rate=rate,
                method="pantompkins1985",
            )[1]["ECG_R_Peaks"],
            "sleepecg": sleepecg.detect_heartbeats(samples, rate),
            "wfdb xqrs": processing.xqrs_detect(samples, rate, verbose=False),
        }
    return {name: np.asarray(peaks, dtype=float) / rate_hz for name, peaks in found.items()}


def blinks(samples: Samples, rate_hz: float) -> dict[str, Samples]:
    """Blink peaks (s) by library."""
    import mne
    import neurokit2

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        clean = neurokit2.eog_clean(samples, sampling_rate=rate_hz, method="neurokit")
        found = {
            f"neurokit2 {method}": neurokit2.eog_findpeaks(clean, sampling_rate=rate_hz, method=method)
            for method in ("mne", "brainstorm", "neurokit")
        }
        raw = mne.io.RawArray(
            samples[None] * 1e-6, mne.create_info(["EOG"], rate_hz, "eog", verbose="error"), verbose="error"
        )
        found["mne"] = mne.preprocessing.find_eog_events(raw, ch_name="EOG", verbose="error")[:, 0]
    return {name: np.asarray(peaks, dtype=float) / rate_hz for name, peaks in found.items()}


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
