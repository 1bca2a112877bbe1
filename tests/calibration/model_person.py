"""A person by a stated model, for what the real recordings do not hold: deliberate beside everyday blinks.

THE MODEL, NOT DATA. Deliberate blinks are higher than spontaneous ones while their duration does not differ
(Kaneko & Sakamoto 1999); heights are log-normal about their medians; spontaneous blinks come at random 17 a
minute at rest, 26 talking, 4.5 reading (Bentivoglio 1997); a cue is answered after 300 ms, spread 60 ms
(simple reactions take 180-200 ms; a word and a lid take longer, common practice), and the lid closes in
100 ms. White noise on slow drift. It shows that the fit does what it should on such a person, nothing about
people.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from bridge.calibration.cues import Routine, Shown, Step, plan
from bridge.signals.types import Annotation, Block, Channel, Samples, StreamInfo

RATE_HZ = 200.0
CHANNEL = Channel("vertical", "eog-vertical", "uV", -3276.7, 3276.7, 0.1)
INFO = StreamInfo((CHANNEL,), RATE_HZ)
_PER_MINUTE = {"rest": 17.0, "talk": 26.0, "read": 4.5}


@dataclass
class Blinker:
    """``ratio``: median height of deliberate over spontaneous blinks; ``spread``: log-normal sigma."""

    ratio: float = 1.8
    spread: float = 0.15
    usual_uv: float = 250.0
    acts: bool = True
    seed: int = 0
    blinks: list[tuple[float, float, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.random = np.random.default_rng(self.seed)

    def height(self, deliberate: bool) -> float:
        median = self.usual_uv * (self.ratio if deliberate else 1.0)
        return float(median * np.exp(self.spread * self.random.standard_normal()))

    def answer(self, label: str, time_s: float) -> None:
        """A cue has come."""
        if not self.acts or not label.startswith("cue blink"):
            return
        peak_s = time_s + 0.1 + float(np.clip(self.random.normal(0.3, 0.06), 0.15, 0.6))
        self.blinks.append((peak_s, self.height(True), True))
        if label.endswith("twice"):
            self.blinks.append((peak_s + float(self.random.uniform(0.4, 0.55)), self.height(True), True))

    def spontaneous(self, start_s: float, end_s: float, what: str = "rest") -> None:
        """Blinks of a stretch, at least 0.6 s from each other and from deliberate ones."""
        per_s = _PER_MINUTE.get(what, 17.0) / 60
        time_s = start_s + float(self.random.exponential(1 / per_s))
        while time_s < end_s:
            if all(abs(time_s - other) > 0.6 for other, _, _ in self.blinks):
                self.blinks.append((time_s, self.height(False), False))
            time_s += 0.6 + float(self.random.exponential(1 / per_s))

    def signal(self, first: int, count: int) -> Samples:
        """Samples of shape (count, 1), in µV."""
        time = (first + np.arange(count)) / RATE_HZ
        out = 20.0 * np.sin(2 * np.pi * 0.03 * time) + 5.0 * self.random.standard_normal(count)
        for peak_s, height, _ in self.blinks:
            if abs(peak_s - time[0]) < count / RATE_HZ + 1:
                # Closing about 100 ms, reopening a little longer (Stern 1984, second-hand).
                away = time - peak_s
                out += height * np.where(
                    away < 0, np.exp(-0.5 * (away / 0.05) ** 2), np.exp(-0.5 * (away / 0.08) ** 2)
                )
        return out[:, None]


def session(person: Blinker, *, seed: int = 1, acts: int = 10) -> tuple[Samples, tuple[Annotation, ...]]:
    """A whole blink session: samples from index 0 and the annotations our routine would have written."""
    steps: tuple[Step, ...] = plan(["blink"], seed=seed, acts=acts)
    routine = Routine(steps)
    marks: list[Annotation] = []
    shown: list[Shown] = []
    time_s = 5.0
    while not routine.done:
        for item in routine.advance(time_s):
            shown.append(item)
            if item.what == "step" and item.step is not None:
                marks.append(Annotation(item.time_s, item.step.seconds, item.step.label))
            elif item.what == "cue" and item.cue is not None:
                marks.append(Annotation(item.time_s, item.cue.hold_s, item.cue.label))
                person.answer(item.cue.label, item.time_s)
        time_s += 0.02
    for mark in marks:
        if mark.label.startswith("do "):
            person.spontaneous(mark.onset, mark.onset + mark.duration, mark.label.split()[1])
        elif mark.label.startswith("step ") and "everyday" not in mark.label:
            person.spontaneous(mark.onset, mark.onset + mark.duration)
    samples = person.signal(0, int((time_s + 1.0) * RATE_HZ))
    return samples, tuple(marks)


def blocks(samples: Samples, size: int = 400) -> list[Block]:
    return [Block(samples[i : i + size], i) for i in range(0, len(samples), size)]
