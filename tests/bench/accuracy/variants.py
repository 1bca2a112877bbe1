"""What amplifiers, radios and wires do to a signal, done to recordings: what does each cost?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy import signal

from bridge.recordings import Recording, read
from bridge.recordings.recording import Segment
from bridge.signals.types import Channel, Samples, StreamInfo
from tests.bench.accuracy.material import DATA, Loaded, samples_of

TIME_CONSTANTS_S = (3.0, 1.0, 0.5, 0.3, 0.1)
LOST = (0.01, 0.02, 0.05)
RUNS_MS = (1, 5, 20, 80)
_DEAD_S = 30.0
_RETURN_S = 2.0  # after a wire is back, nothing is scored for so long
_MOTION_DB = 6.0

# Samples of shape (n, channels) and their rate in Hz to samples and rate.
Change = Callable[[Samples, float], tuple[Samples, float]]


def _high_pass(time_constant_s: float) -> Change:
    """A first-order high-pass, as if the first sample had stood for ever."""

    def passed(x: Samples, rate_hz: float) -> tuple[Samples, float]:
        b, a = signal.butter(1, 1 / (2 * np.pi * time_constant_s), "highpass", fs=rate_hz)
        return np.asarray(signal.lfilter(b, a, x - x[0], axis=0)), rate_hz

    return passed


def _undrifted(x: Samples, rate_hz: float) -> Samples:
    return _high_pass(0.3)(x, rate_hz)[0]


def _ten_bits(x: Samples, rate_hz: float) -> tuple[Samples, float]:
    """A step of a 256th of what the signal spans without its drift: a quarter of a 10-bit converter."""
    flat = _undrifted(x, rate_hz)
    step = (np.percentile(flat, 99.9, axis=0) - np.percentile(flat, 0.1, axis=0)) / 256
    return np.round(x / step) * step, rate_hz


def _hum(hum_hz: float) -> Change:
    """A sine half as high as what 95 % of the signal span, with a fifth of that in both next harmonics.

    Harmonics beyond half the sampling rate are folded back, as a converter without a filter would.
    """

    def added(x: Samples, rate_hz: float) -> tuple[Samples, float]:
        times = np.arange(len(x))[:, None] / rate_hz
        flat = _undrifted(x, rate_hz)
        half = (np.percentile(flat, 97.5, axis=0) - np.percentile(flat, 2.5, axis=0)) / 2
        wave = sum(
            share * np.sin(2 * np.pi * hum_hz * order * times + order)
            for order, share in ((1, 1.0), (2, 0.2), (3, 0.2))
        )
        return x + half * wave, rate_hz

    return added


def _to(rate_hz: float) -> Change:
    def resampled(x: Samples, own_hz: float) -> tuple[Samples, float]:
        up, down = round(rate_hz * 100), round(own_hz * 100)
        return signal.resample_poly(x - x[0], up, down, axis=0), own_hz * up / down

    return resampled


PLAIN: dict[str, Change] = {
    **{f"AC-coupled, {seconds:g} s": _high_pass(seconds) for seconds in TIME_CONSTANTS_S},
    "10 bits": _ten_bits,
    "50 Hz hum with harmonics": _hum(50),
    "60 Hz hum with harmonics": _hum(60),
    "gain 10": lambda x, rate_hz: (x * 10, rate_hz),
    "offset": lambda x, rate_hz: (x + 1000 * x.std(axis=0), rate_hz),
    "500 Hz": _to(500),
}
LOSSES = {f"{share:.0%} lost in runs of {ms} ms": (share, ms) for share in LOST for ms in RUNS_MS}
DEAD = ("dead wire, flat", "dead wire, hum")
REVERSED = "reversed polarity"
MOTION = "electrode motion, 6 dB"
CHANGES = (*PLAIN, REVERSED, *LOSSES, *DEAD, MOTION)


def changed(loaded: Loaded, change: str, seed: int) -> Loaded | None:
    """The same recording after a change; None where its rate does not allow it, or it has no such noise."""
    rate_hz = loaded.recording.info.rate
    random = np.random.default_rng(seed)
    if change in LOSSES:
        return _with_losses(loaded, *LOSSES[change], random)
    if change in DEAD:
        return _dead(loaded, hum=change.endswith("hum"))
    x = samples_of(loaded.recording)
    if change == MOTION:
        return _with(loaded, _moving(x, rate_hz), rate_hz)
    if change == REVERSED:
        turned = tuple(replace(mark, label=_turned(mark.label)) for mark in loaded.reference)
        return replace(_with(loaded, -x, rate_hz), reference=turned)
    if "hum" in change and float(change.split()[0]) >= 0.45 * rate_hz:
        return None
    if change.endswith(" Hz") and float(change.split()[0]) <= rate_hz:
        return None
    return _with(loaded, *PLAIN[change](x, rate_hz))


def _with(loaded: Loaded, samples: Samples, rate_hz: float) -> Loaded:
    """The converter's rails no longer hold for the changed numbers."""
    channels = tuple(Channel(one.name, one.kind, one.unit) for one in loaded.recording.info.channels)
    first = round(loaded.recording.first * rate_hz / loaded.recording.info.rate)
    recording = Recording(StreamInfo(channels, rate_hz), (Segment(first, samples),))
    return replace(loaded, recording=recording)


def _turned(label: str) -> str:
    for one, other in (("left", "right"), ("right", "left"), ("up", "down"), ("down", "up")):
        if label.startswith(f"gaze-{one}"):
            return label.replace(one, other, 1)
    return label


def _with_losses(loaded: Loaded, share: float, run_ms: float, random: np.random.Generator) -> Loaded:
    """Runs of lost samples at random, as a radio loses them: a jump of the index, nothing in their place."""
    rate_hz = loaded.recording.info.rate
    length = max(1, round(run_ms / 1000 * rate_hz))
    segments = []
    for block in loaded.recording.blocks(1 << 30):
        count = len(block)
        kept = np.ones(count, dtype=bool)
        begun = random.random(count) < share / length
        for index in np.flatnonzero(begun):
            kept[index : index + length] = False
        edges = np.flatnonzero(np.diff(np.r_[False, kept, False].astype(int)))
        segments += [
            Segment(block.first + int(start), block.samples[start:stop])
            for start, stop in zip(edges[::2], edges[1::2], strict=True)
        ]
    return replace(loaded, recording=replace(loaded.recording, segments=tuple(segments), scales=None))


def _dead(loaded: Loaded, *, hum: bool) -> Loaded:
    """For half a minute in the middle the wire is off: the line stands still, or carries hum alone.

    What is asked for there is left out; what is detected there is false.
    """
    rate_hz = loaded.recording.info.rate
    x = samples_of(loaded.recording).copy()
    start = len(x) // 2
    stop = min(len(x), start + round(_DEAD_S * rate_hz))
    times = np.arange(stop - start)[:, None] / rate_hz
    height = 2 * np.percentile(np.abs(_undrifted(x, rate_hz)), 97.5, axis=0)
    x[start:stop] = x[start] + (height * np.sin(2 * np.pi * 50 * times + 1) if hum else 0.0)
    first_s = loaded.recording.first / rate_hz
    off_s, back_s = first_s + start / rate_hz, first_s + stop / rate_hz
    reference = tuple(
        mark
        for mark in loaded.reference
        if mark.onset + mark.duration < off_s - 0.5 or mark.onset > back_s + _RETURN_S
    )
    made = _with(loaded, x, rate_hz)
    edges = ((off_s - 0.5, off_s + 0.2), (back_s - 0.2, back_s + _RETURN_S))
    return replace(made, reference=reference, excluded=(*loaded.excluded, *edges))


@lru_cache
def _motion() -> tuple[Samples, float]:
    """Electrode motion, as the noise stress records have it: one of them less the record it was added to."""
    noisy_file = read(DATA / "ecg/noise-118e06.csv")
    noisy, rate_hz = samples_of(noisy_file)[:, 0], noisy_file.info.rate
    clean = samples_of(read(DATA / "ecg/118.hea"))[:, 0]
    quiet = noisy[: round(30 * rate_hz)]
    # Where in the record it was cut out: the best match of its quiet beginning.
    matched = signal.correlate(clean - clean.mean(), quiet - quiet.mean(), mode="valid")
    at = int(np.argmax(matched))
    noise = noisy - clean[at : at + len(noisy)]
    return np.asarray(noise[round(42 * rate_hz) :]), rate_hz


def _moving(x: Samples, rate_hz: float) -> Samples:
    """Electrode motion over all but the first 30 s.

    The ratio as in the MIT-BIH Noise Stress Test (from memory): a sine as high as the beats, peak to peak,
    over the noise's mean square.
    """
    noise, noise_hz = _motion()
    noise = signal.resample_poly(noise, round(rate_hz), round(noise_hz))
    begun = round(30 * rate_hz)
    wave = np.resize(noise - noise.mean(), len(x) - begun)
    seconds = _undrifted(x, rate_hz)[: len(x) // round(rate_hz) * round(rate_hz)]
    parts = seconds.reshape(-1, round(rate_hz), x.shape[1])
    height = np.median(parts.max(axis=1) - parts.min(axis=1), axis=0)
    wanted = (height**2 / 8) / 10 ** (_MOTION_DB / 10)
    out = x.copy()
    out[begun:] += wave[:, None] * np.sqrt(wanted / np.mean(wave**2))
    return out
