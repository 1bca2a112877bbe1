"""How soon detectors know, where the reference is not simply an instant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from scipy import signal

from bridge.evaluation.running import bind_detector, evaluate, run
from bridge.evaluation.scores import gross
from bridge.signals.types import Annotation, Event, Samples
from tests.bench.accuracy.material import Material, recording_of, samples_of

CLOSURE_WINDOW_S = 0.7


def hodges_bui(samples: Samples, rate_hz: float, cue: Annotation) -> float | None:
    """Onset (s) of a cued burst, offline; None where there is too little rest before it.

    The first of 50 ms of rectified, low-passed EMG whose mean lies above the resting mean by three standard
    deviations (Hodges & Bui, Electroencephalogr Clin Neurophysiol 1996;101:511). Samples have the shape
    (n, electrodes).
    """
    high = signal.butter(4, 20, "highpass", fs=rate_hz, output="sos")
    rectified = np.abs(signal.sosfiltfilt(high, samples, axis=0)).mean(axis=1)
    smooth = signal.sosfiltfilt(signal.butter(2, 50, fs=rate_hz, output="sos"), rectified)
    first = round((cue.onset - 0.3) * rate_hz)
    rest = smooth[max(0, round((cue.onset - 1.5) * rate_hz)) : first]
    if len(rest) < 0.5 * rate_hz:
        return None
    limit, width = rest.mean() + 3 * rest.std(), round(0.05 * rate_hz)
    for index in range(first, round((cue.onset + 1.5) * rate_hz)):
        if smooth[index : index + width].mean() > limit:
            return index / rate_hz
    return None


def starts(material: Material, kind: str) -> list[Event]:
    (binding,) = bind_detector(material.recording, material.detector)
    return [
        event
        for event in run(material.recording, binding).events
        if event.kind == kind and event.edge == "start"
    ]


def onsets(materials: Sequence[Material]) -> Iterator[dict[str, Any]]:
    """Contractions by number of electrodes: onset error and delay against Hodges & Bui on the same electrodes.

    Electrodes are neighbours, so many from each place of the ring.
    """
    own = [item for item in materials if item.detector == "contraction"]
    for width in (1, 2, 4, 8) if own else ():
        errors, delays, scores = [], [], []
        for material in own:
            all_samples, rate_hz = samples_of(material.recording), material.recording.info.rate
            names = [channel.name for channel in material.recording.info.channels]
            for place in range(len(names) if width < len(names) else 1):
                columns = [(place + step) % len(names) for step in range(width)]
                (binding,) = bind_detector(
                    material.recording, "contraction", channels=[names[column] for column in columns]
                )
                done = run(material.recording, binding)
                assert material.reference is not None
                scores.append(evaluate(material.recording, done, material.reference).score)
                found = [item for item in done.events if (item.kind, item.edge) == ("contraction", "start")]
                for cue in material.reference:
                    marked = hodges_bui(all_samples[:, columns], rate_hz, cue)
                    near = [event for event in found if -0.3 <= event.onset - cue.onset <= 1.5]
                    if marked is not None and near:
                        errors.append(abs(near[0].onset - marked))
                        delays.append(near[0].decided - marked)
        yield {
            "electrodes": width,
            "bursts": len(errors),
            "f1": gross(scores).f1,
            "onset_error_ms": 1000 * float(np.median(errors)),
            "decided_after_ms": 1000 * float(np.median(delays)),
        }


def closures(materials: Sequence[Material]) -> Iterator[dict[str, Any]]:
    """Long closures of the eye-state recording by their onset, within 0.7 s."""
    for material in materials:
        if not material.name.startswith("eye-state"):
            continue
        wanted = [item.onset for item in material.reference or () if item.label == "long-closure"]
        found = [event.onset for event in starts(material, "long-closure")]
        left = list(found)
        errors = []
        for onset in wanted:
            near = [other for other in left if abs(other - onset) <= CLOSURE_WINDOW_S]
            if near:
                best = min(near, key=lambda other: abs(other - onset))
                left.remove(best)
                errors.append(abs(best - onset))
        yield {
            "recording": material.name,
            "long_closures": len(wanted),
            "found": len(errors),
            "false": len(left),
            "onset_error_ms": 1000 * float(np.median(errors)) if errors else None,
        }


def after_high_pass(materials: Sequence[Material]) -> Iterator[dict[str, Any]]:
    """Gaze shifts as AC-coupled amplifiers of first order would pass them on."""
    for material in (item for item in materials if item.detector == "gaze"):
        samples, rate_hz = samples_of(material.recording), material.recording.info.rate
        for time_constant_s in (0.16, 0.5, 3.0):
            b, a = signal.butter(1, 1 / (2 * np.pi * time_constant_s), "highpass", fs=rate_hz)
            # As if the first sample had stood for ever.
            passed = np.asarray(signal.lfilter(b, a, samples - samples[0], axis=0))
            other = recording_of(passed, rate_hz, ["horizontal"], "eog-horizontal")
            (binding,) = bind_detector(other, "gaze")
            assert material.reference is not None
            score = evaluate(other, run(other, binding), material.reference).score
            yield {"recording": material.name, "time_constant_s": time_constant_s, "f1": score.f1}
