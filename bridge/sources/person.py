"""A synthetic person: four channels of body signals from a seed, with the truth known. No input or output.

For demos and invariance tests only: nothing here proves that a detector works on people. Sizes follow
the trade's usual figures (named beside each); shapes are our own simple curves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from bridge.signals.sections import run_sections
from bridge.signals.types import Annotation, Channel, Samples, StreamInfo

TruthKind = Literal["blink", "gaze-left", "gaze-right", "contraction", "heartbeat"]

STEP_UV = 0.1
RAIL_UV = 3200.0  # a converter of nearly 16 bits
_CHUNK_S = 1.0
_PLAN_S = 20.0
UV_PER_DEGREE = 18.0  # of gaze, horizontal EOG: 16 to 20 are usual
_RECENT = 400  # events that can still show in the signal
_KEPT = 4_000


@dataclass(frozen=True, slots=True)
class Truth:
    """Something the person did: ``onset`` is a blink's or beat's peak, else the start of the movement (s)."""

    kind: TruthKind
    onset: float
    duration: float
    channel: str
    deliberate: bool = False
    size: float = 0.0  # µV: peak of a blink, step of a gaze shift, RMS of a contraction, R of a beat

    def annotation(self) -> Annotation:
        return Annotation(self.onset, self.duration if self.kind == "contraction" else 0.0, self.kind)


class SyntheticPerson:
    """Generates samples in order; the same seed and rate give the same samples however they are asked for.

    Channels: ``forehead`` (EEG), ``horizontal`` (EOG), ``forearm`` (EMG), ``chest`` (ECG), all in µV. Every
    20 s hold a deliberate double blink, a glance to each side, two contractions and spontaneous blinks;
    the first 10 s show one of each kind. ``truth`` holds what has been planned
    so far, the last 4,000 events of it.
    """

    def __init__(
        self, seed: int = 0, rate_hz: float = 250.0, mains_hz: float = 50.0, heart_rate_per_min: float = 66.0
    ) -> None:
        if not 30 <= rate_hz <= 10_000:
            raise ValueError(f"the synthetic person needs a rate of 30 to 10000 Hz, not {rate_hz:g}")
        rails = ("uV", -RAIL_UV, RAIL_UV, STEP_UV)
        self.info = StreamInfo(
            (
                Channel("forehead", "eeg", *rails),  # type: ignore[arg-type]
                Channel("horizontal", "eog-horizontal", *rails),  # type: ignore[arg-type]
                Channel("forearm", "emg", *rails),  # type: ignore[arg-type]
                Channel("chest", "ecg", *rails),  # type: ignore[arg-type]
            ),
            float(rate_hz),
        )
        self.truth: list[Truth] = []
        self._rate = float(rate_hz)
        self._mains_hz = mains_hz
        self._seed = seed
        self._mean_rr_s = 60.0 / heart_rate_per_min
        self._planned_s = 0.0
        self._beats: list[float] = []
        self._gaze: list[tuple[float, float, float]] = []  # time, from µV, to µV
        self._gaze_base_uv = 0.0  # where the shifts that are forgotten have led
        self._chunk_s = _CHUNK_S
        self._made = 0
        self._ready = np.empty((0, 4))
        fixed = np.random.default_rng([seed, 0])
        self._phases = fixed.uniform(0, 2 * np.pi, 32)
        self._carried = [0.0] * 3  # what the noise filters carry from chunk to chunk
        self._next_beat_s = 0.4 + float(fixed.uniform(0, 0.3))
        self._rr_random = np.random.default_rng([seed, 1])

    @property
    def made_s(self) -> float:
        """Sample time up to which samples are made, and cannot be changed any more."""
        return self._made / self._rate

    @property
    def given_s(self) -> float:
        """Sample time up to which samples were handed out."""
        return (self._made - self._ready.shape[0]) / self._rate

    def generate(self, count: int) -> Samples:
        """The next ``count`` samples, shape (count, 4)."""
        parts = [self._ready]
        have = self._ready.shape[0]
        while have < count:
            parts.append(self._chunk())
            have += parts[-1].shape[0]
        ready = np.concatenate(parts) if len(parts) > 1 else self._ready
        out, self._ready = ready[:count], ready[count:]
        return np.ascontiguousarray(out)

    def truth_until(self, time_s: float) -> list[Truth]:
        """What happened up to a moment of sample time, in order."""
        while self._planned_s < time_s:
            self._plan()
        self._beat_until(time_s)
        return sorted((t for t in self.truth if t.onset <= time_s), key=lambda t: t.onset)

    # -- what happens when ---------------------------------------------------------------------------

    def _plan(self) -> None:
        """Lay down the next 20 s of deliberate and spontaneous activity."""
        self._forget()
        number = round(self._planned_s / _PLAN_S)
        random = np.random.default_rng([self._seed, 2, number])
        base = self._planned_s

        def at(time_s: float, spread_s: float = 0.15) -> float:
            return base + time_s + float(random.uniform(-spread_s, spread_s))

        taken: list[float] = []
        double = at(6.8)
        for peak in (double, double + float(random.uniform(0.42, 0.55))):
            self._blink(peak, float(random.uniform(200, 280)), True)
            taken.append(peak)
        # Twelve blinks a minute here; 17 is the mean at rest (Bentivoglio 1997).
        for peak in (at(1.5), at(11.0, 0.8), at(14.0, 0.8), at(18.6, 0.5)):
            self._blink(peak, float(random.uniform(70, 120)), False)
            taken.append(peak)
        sides = ((at(5.0), -20.0), (at(8.6), 20.0)) if number == 0 else ((at(5.0), 20.0), (at(12.4), -20.0))
        for start, degrees in sides:
            stay = float(random.uniform(0.9, 1.2))
            self._shift(start, 0.0, degrees * UV_PER_DEGREE)
            self._shift(start + stay, degrees * UV_PER_DEGREE, 0.0)
        for start, length in ((at(3.0), 1.2), (at(7.6), 1.4), (at(16.0), 2.0)):
            size = float(random.uniform(90, 160))
            self.truth.append(Truth("contraction", start, length, "forearm", size=size))
        self._planned_s += _PLAN_S

    def _skip_plan(self) -> None:
        """Lay down nothing for the next 20 s."""
        self._forget()
        self._planned_s += _PLAN_S

    def _forget(self) -> None:
        del self.truth[:-_KEPT], self._beats[:-80]
        self._forget_shifts(40)

    def _forget_shifts(self, most: int) -> None:
        old = self._gaze[:-most]
        self._gaze_base_uv += sum(to_uv - from_uv for _, from_uv, to_uv in old)
        del self._gaze[:-most]

    def _blink(self, peak_s: float, size_uv: float, deliberate: bool) -> None:
        self.truth.append(Truth("blink", peak_s, 0.3, "forehead", deliberate, size_uv))

    def _shift(self, start_s: float, from_uv: float, to_uv: float) -> None:
        # Carpenter's rule, 2.2 ms a degree + 21 ms (from memory).
        duration = 0.0022 * abs(to_uv - from_uv) / UV_PER_DEGREE + 0.021
        kind: TruthKind = "gaze-right" if to_uv > from_uv else "gaze-left"
        self.truth.append(Truth(kind, start_s, duration, "horizontal", size=to_uv - from_uv))
        self._gaze.append((start_s, from_uv, to_uv))

    def _beat_until(self, time_s: float) -> None:
        while self._next_beat_s <= time_s:
            beat = self._next_beat_s
            self._beats.append(beat)
            self.truth.append(Truth("heartbeat", beat, 0.1, "chest", size=1000.0))
            # Breathing at 0.25 Hz lengthens and shortens the interval by 4 %, chance by 2 %.
            sway = 0.04 * np.sin(2 * np.pi * 0.25 * beat) + 0.02 * self._rr_random.standard_normal()
            self._next_beat_s = beat + self._mean_rr_s * float(1 + np.clip(sway, -0.15, 0.15))

    # -- what it looks like --------------------------------------------------------------------------

    def _chunk(self) -> Samples:
        count = max(1, round(self._rate * self._chunk_s))
        time = (self._made + np.arange(count)) / self._rate
        start_s, end_s = float(time[0]), float(time[-1]) + 1 / self._rate
        while self._planned_s < end_s + 2:
            self._plan()
        self._beat_until(end_s + 1)
        random = np.random.default_rng([self._seed, 3, self._made])
        self._made += count

        blinks = np.zeros(count)
        effort = np.zeros(count)
        for item in self.truth[-_RECENT:]:
            if item.onset + item.duration + 1 < start_s or item.onset - 1 > end_s:
                continue
            if item.kind == "blink":
                blinks += item.size * _blink_shape(time - item.onset)
            elif item.kind == "contraction":
                effort += item.size * _ramp(time, item.onset, item.onset + item.duration, 0.06)
        gaze = np.full(count, self._gaze_base_uv)
        for onset, from_uv, to_uv in self._gaze:
            if onset > end_s:
                continue
            duration = 0.0022 * abs(to_uv - from_uv) / UV_PER_DEGREE + 0.021
            gaze += (to_uv - from_uv) * _smooth((time - onset) / duration)
        heart = np.zeros(count)
        for beat in self._beats[-40:]:
            if start_s - 1 < beat < end_s + 1:
                heart += _beat_shape(time - beat)

        hum = np.sin(2 * np.pi * self._mains_hz * time + self._phases[0])
        hum += 0.2 * np.sin(6 * np.pi * self._mains_hz * time + self._phases[1])
        breath = np.sin(2 * np.pi * 0.25 * time)
        waxing = 0.5 + 0.5 * np.sin(2 * np.pi * 0.07 * time + self._phases[2])
        rhythm = 4.0 * self._alpha(time) * np.sin(2 * np.pi * 10.1 * time) * waxing
        eeg = 6.0 * self._slow_noise(0, random, count) + rhythm
        out = np.column_stack(
            (
                eeg
                + blinks
                + 0.06 * gaze
                + 8.0 * hum
                + self._drift(time, 4, 25.0)
                + random.normal(0, 1.5, count),
                gaze
                + 0.08 * blinks
                + 4.0 * self._slow_noise(1, random, count)
                + 6.0 * hum
                + self._drift(time, 8, 60.0)
                + random.normal(0, 1.5, count),
                (effort + 3.0) * self._muscle_noise(random, count)
                + 4.0 * hum
                + self._drift(time, 12, 5.0)
                + random.normal(0, 0.5, count),
                heart
                + 25.0 * hum
                + 60.0 * breath
                + self._drift(time, 16, 80.0)
                + random.normal(0, 6.0, count),
            )
        )
        return np.clip(np.round(out / STEP_UV), -RAIL_UV / STEP_UV, RAIL_UV / STEP_UV) / round(1 / STEP_UV)

    def _alpha(self, time: Samples) -> Samples:
        """How strong the rhythm of the eyes is, as a factor."""
        return np.ones(time.size)

    def _drift(self, time: Samples, phase: int, size_uv: float) -> Samples:
        """Electrode drift: slow waves of periods that never line up."""
        waves = ((0.011, 1.0), (0.031, 0.5), (0.083, 0.25))
        drift = np.zeros(time.size)
        for index, (hz, part) in enumerate(waves):
            drift += part * np.sin(2 * np.pi * hz * time + self._phases[phase + index])
        return size_uv * drift

    def _slow_noise(self, slot: int, random: np.random.Generator, count: int) -> Samples:
        """Noise of unit size below about 8 Hz: a first-order autoregression, carried from chunk to chunk."""
        keep = float(np.exp(-2 * np.pi * 8.0 / self._rate))
        white = random.standard_normal(count) * np.sqrt(1 - keep**2)
        return self._recursion(slot, [1.0], keep, white)

    def _muscle_noise(self, random: np.random.Generator, count: int) -> Samples:
        """Noise of unit size with little below 20 Hz: white noise less its own slow part."""
        keep = float(np.exp(-2 * np.pi * 20.0 / self._rate))
        gain = (1 + keep) / 2
        return self._recursion(2, [gain, -gain], keep, random.standard_normal(count))

    def _recursion(self, slot: int, numerator: list[float], keep: float, x: Samples) -> Samples:
        """``x``, shape (n,), through a first-order filter that keeps so much of what it gave before."""
        ahead = numerator[1] if len(numerator) > 1 else 0.0
        section = np.array([[numerator[0], ahead, 0.0, 1.0, -keep, 0.0]])
        out, state = x[np.newaxis].copy(), np.array([[[self._carried[slot], 0.0]]])
        run_sections(section, out, state)
        self._carried[slot] = float(state[0, 0, 0])
        filtered: Samples = out[0]
        return filtered


def _smooth(x: Samples) -> Samples:
    """From 0 at 0 to 1 at 1 with a bell-shaped speed."""
    x = np.clip(x, 0.0, 1.0)
    return np.asarray(x * x * (3 - 2 * x), dtype=np.float64)


def _ramp(time: Samples, start_s: float, end_s: float, rise_s: float) -> Samples:
    return _smooth((time - start_s) / rise_s) * (1 - _smooth((time - end_s) / (2 * rise_s)))


def _blink_shape(time: Samples) -> Samples:
    """Closing takes about 100 ms, reopening a little longer (second-hand, Stern 1984)."""
    closing = _smooth((time + 0.10) / 0.10)
    opening = 1 - _smooth(time / 0.18)
    return np.where(time < 0, closing, opening)


def _beat_shape(time: Samples) -> Samples:
    """P, Q, R, S and T waves as bell curves (centre s, width s, µV), R at 0; common practice for sizes."""
    waves = (
        (-0.17, 0.022, 110.0),
        (-0.028, 0.009, -110.0),
        (0.0, 0.011, 1000.0),
        (0.030, 0.010, -220.0),
        (0.27, 0.045, 240.0),
    )
    beat = np.zeros(time.size)
    for at, width, size in waves:
        beat += size * np.exp(-0.5 * ((time - at) / width) ** 2)
    return beat
