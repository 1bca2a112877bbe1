"""Do the defaults hold where nobody tuned them? Each recording is scored by settings chosen on the others.

Where a detector has one annotated recording only, its two halves take the place of recordings. The choice is
among the defaults and the same thresholds made easier or harder; if the defaults had been tuned to a file, the
choice on the others would differ from them and lose on the one left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from bridge.evaluation.running import bind_detector, evaluate, run
from bridge.evaluation.scores import Score, gross
from bridge.recordings import Recording
from bridge.recordings.recording import Segment
from bridge.signals.types import Annotation
from tests.bench.accuracy.material import Material, samples_of

FACTORS = (0.7, 0.85, 1.0, 1.2, 1.45)


def settings(detector: str, factor: float) -> Mapping[str, Any] | None:
    """The detector's thresholds times a factor; None: it has none that can be set."""
    if detector in ("blink", "gaze", "contraction"):
        return {"strictness": factor}
    return None


def halves(material: Material) -> list[Material]:
    """The two halves as recordings of their own, each with its own learning time."""
    assert material.reference is not None
    samples, rate_hz = samples_of(material.recording), material.recording.info.rate
    middle = len(samples) // 2
    parts = []
    for name, start, stop in (("first half", 0, middle), ("second half", middle, len(samples))):
        begun_s, ended_s = start / rate_hz, stop / rate_hz
        reference = tuple(
            Annotation(item.onset - begun_s, item.duration, item.label)
            for item in material.reference
            if begun_s <= item.onset < ended_s
        )
        recording = Recording(material.recording.info, (Segment(0, samples[start:stop]),))
        parts.append(Material(f"{material.name}, {name}", material.detector, recording, reference))
    return parts


def scored(material: Material, factor: float) -> Score:
    (binding,) = bind_detector(
        material.recording, material.detector, settings=settings(material.detector, factor)
    )
    assert material.reference is not None
    return evaluate(material.recording, run(material.recording, binding), material.reference).score


def left_out(materials: Sequence[Material]) -> Iterator[dict[str, Any]]:
    """One row a recording: F1 by the defaults and by what did best on the others."""
    for detector in dict.fromkeys(item.detector for item in materials):
        own = [item for item in materials if item.detector == detector and item.name != "eye-state AF3+AF4"]
        if len(own) == 1:
            own = halves(own[0])
        if settings(detector, 1.0) is None:
            continue
        table = {(item.name, factor): scored(item, factor) for item in own for factor in FACTORS}
        for item in own:
            others = {
                factor: gross([table[other.name, factor] for other in own if other is not item]).f1
                for factor in FACTORS
            }
            best = max(others.values())
            # Of equally good ones the one nearest to the defaults.
            chosen = min((f for f, f1 in others.items() if f1 == best), key=lambda factor: abs(factor - 1))
            yield {
                "recording": item.name,
                "detector": detector,
                "chosen_factor": chosen,
                "f1_chosen": table[item.name, chosen].f1,
                "f1_default": table[item.name, 1.0].f1,
                "f1_worst_factor": min(table[item.name, factor].f1 for factor in FACTORS),
            }
