"""How soon contractions are known, against the double threshold of Hodges & Bui on the same electrodes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import signal

from bridge.evaluation.running import bind_detector, run
from bridge.signals.types import Annotation, Samples
from tests.bench.accuracy.cells import OURS, all_done, files_of, key
from tests.bench.accuracy.material import Item, samples_of

WIDTHS = (1, 2, 4, 8)


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


@dataclass(frozen=True, slots=True)
class Onsets:
    """One cued recording by so many neighbouring electrodes, from each place of the ring."""

    item: Item
    width: int
    by: str = OURS

    def __call__(self) -> list[dict[str, Any]]:
        loaded = self.item.load()
        samples, rate_hz = samples_of(loaded.recording), loaded.recording.info.rate
        names = [name for name, _ in self.item.channels]
        rows = []
        for place in range(len(names) if self.width < len(names) else 1):
            columns = [(place + step) % len(names) for step in range(self.width)]
            (binding,) = bind_detector(
                loaded.recording, "contraction", channels=[names[column] for column in columns]
            )
            events = run(loaded.recording, binding).events
            found = [event for event in events if (event.kind, event.edge) == ("contraction", "start")]
            for cue in loaded.reference:
                marked = hodges_bui(samples[:, columns], rate_hz, cue)
                near = [event for event in found if -0.3 <= event.onset - cue.onset <= 1.5]
                if marked is not None and near:
                    error_s, decided_s = near[0].onset - marked, near[0].decided - marked
                    rows.append({"width": self.width, "error_s": error_s, "decided_s": decided_s})
        return rows


def rows_of(items: Sequence[Item], workers: int) -> list[dict[str, Any]]:
    """By number of electrodes: onset error and delay, medians in milliseconds."""
    own = [item for item in items if item.set == "cued, 8 electrodes"]
    works = {f"{item.name} {width}": Onsets(item, width) for item in own for width in WIDTHS}
    keys = {name: key(work, files_of(work.item)) for name, work in works.items()}
    rows = [row for found in all_done("onsets", works, keys, workers).values() for row in found]
    figures = []
    for width in WIDTHS:
        bursts = [row for row in rows if row["width"] == width]
        if bursts:
            figures.append(
                {
                    "electrodes": width,
                    "bursts": len(bursts),
                    "onset_error_ms": 1000 * float(np.median([abs(row["error_s"]) for row in bursts])),
                    "decided_after_ms": 1000 * float(np.median([row["decided_s"] for row in bursts])),
                }
            )
    return figures
