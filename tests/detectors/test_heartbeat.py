"""Heartbeats against annotated and unannotated real ECGs, and what must not change them.

Record 100 is annotated by cardiologists; elsewhere the reference is what general-purpose libraries agree on.
Synthetic heartbeats serve for rates and hostile input only.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from ecg_recordings import (
    beats_of,
    compare,
    consensus,
    detect,
    f1,
    mitdb_208,
    onsets,
    raw_counts,
    record_100,
    resting,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.detectors import SettingsError, heartbeat
from bridge.recordings import read
from bridge.signals.types import Block, Channel, Event, Level, Samples

FIVE_MINUTES_S = 300.0


def resampled(samples: Samples, rate_hz: float, new_rate_hz: float) -> Samples:
    from fractions import Fraction

    from scipy.signal import resample_poly

    ratio = Fraction(new_rate_hz / rate_hz).limit_denominator(1000)
    return (
        np.asarray(resample_poly(samples - samples[0], ratio.numerator, ratio.denominator), dtype=np.float64)
        + samples[0]
    )


def hum(n: int, rate_hz: float, mains_hz: float, amplitude: float) -> Samples:
    return amplitude * np.sin(2 * np.pi * mains_hz * np.arange(n) / rate_hz + 0.3)


def heart(
    rate: float, seconds: float, rate_hz: float, jitter: float = 0.02, noise: float = 0.01
) -> tuple[Samples, Samples]:
    """A model ECG, mV: Gaussian P, Q, R, S and T waves that come closer as the heart goes faster."""
    rng = np.random.default_rng(7)
    beats = [0.4]
    while beats[-1] < seconds:
        beats.append(beats[-1] + 60 / rate * (1 + jitter * rng.standard_normal()))
    n = round(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    x = noise * rng.standard_normal(n)
    q = min(1.0, (60 / rate / 0.8) ** 0.5)
    for beat in beats:
        for at, height, width in (
            (-0.16 * q, 0.12, 0.022 * q),
            (-0.028, -0.12, 0.009),
            (0.0, 1.0, 0.011),
            (0.028, -0.22, 0.010),
            (0.27 * q, 0.25, 0.045 * q),
        ):
            x += height * np.exp(-0.5 * ((t - beat - at) / width) ** 2)
    return x, np.array(beats)


# Accuracy on annotated beats. Published on the whole database: 99.3 % (Pan & Tompkins 1985, from memory),
# 99.9 % (Kim & Shin 2016, real time).


@pytest.mark.parametrize(("lead", "floor"), [(0, 0.9995), (1, 0.995)], ids=["MLII", "V5"])
def test_annotated_beats_are_found(data_dir: Path, lead: int, floor: float) -> None:
    samples, rate_hz, beats = record_100(data_dir, lead)
    assert len(beats) == 2273  # the annotator's count, PhysioNet
    found = beats_of(detect(samples, rate_hz))
    times = np.array([beat.onset for beat in found])
    matched, missed, false = compare(beats, times)
    score = 2 * matched / (2 * matched + len(missed) + len(false))
    print(f"F1 {score:.5f}, missed {missed}, false {false}")
    assert score >= floor
    # Where the annotator put R: EC57 allows 150 ms; intervals need a few.
    error_s = np.array([times[np.argmin(np.abs(times - beat))] - beat for beat in beats[10:-2]])
    assert np.quantile(np.abs(error_s), 0.95) <= (0.005 if lead == 0 else 0.015)


@pytest.mark.parametrize("lead", [0, 1], ids=["MLII", "V5"])
def test_beats_are_decided_in_time(data_dir: Path, lead: int) -> None:
    samples, rate_hz, _ = record_100(data_dir, lead)
    found = [beat for beat in beats_of(detect(samples, rate_hz)) if not beat.note]
    late_ms = 1000 * np.array([beat.decided - beat.onset for beat in found])
    print(f"median {np.median(late_ms):.0f} ms, largest {late_ms.max():.0f} ms")
    assert np.median(late_ms) <= 250
    assert late_ms.max() <= 400


def test_learning_takes_five_seconds_at_most(data_dir: Path) -> None:
    samples, rate_hz, beats = record_100(data_dir, 0)
    for start_s in range(0, 1500, 60):
        part = samples[round(start_s * rate_hz) : round((start_s + 20) * rate_hz)]
        inside = beats[(beats >= start_s) & (beats < start_s + 19.7)] - start_s
        assert f1(inside, onsets(part, rate_hz), 19.7) == 1.0, start_s


def test_rate_agrees_with_the_annotated_one(data_dir: Path) -> None:
    """ANSI/AAMI EC13: within 10 % or 5 beats a minute, whichever is greater (second-hand)."""
    samples, rate_hz, beats = record_100(data_dir, 0)
    found = beats_of(detect(samples, rate_hz))
    for event in found[10:-1:20]:
        before = beats[beats <= event.onset + 0.02][-9:]
        truth = 60 * 8 / (before[-1] - before[0])
        assert abs(event.values["rate"] - truth) <= max(5.0, 0.1 * truth)


def record(data_dir: Path, name: str, from_s: float, to_s: float) -> tuple[Samples, float, Samples]:
    """A stretch of the first lead of a record of the MIT-BIH Arrhythmia Database, and its annotated beats."""
    recording = read(data_dir / "ecg" / f"{name}.hea")
    rate_hz = recording.info.rate
    samples = np.concatenate([block.samples for block in recording.blocks()])[:, 0]
    beats = np.array([mark.onset for mark in recording.annotations if mark.label.startswith("heartbeat")])
    inside = beats[(beats >= from_s) & (beats < to_s)]
    return samples[round(from_s * rate_hz) : round(to_s * rate_hz)], rate_hz, inside - from_s


@pytest.mark.parametrize(
    ("name", "from_s", "to_s", "floor"),
    [
        # A tall P wave 170 ms before a slow QRS complex is not the beat.
        ("108", 0.0, 120.0, 0.98),
        # After seconds without a beat the T waves that came first are not followed.
        ("116", 1385.0, 1500.0, 0.93),
        # Ectopic beats of four times the amplitude hide none of the beats after them.
        ("114", 360.0, 530.0, 0.985),
    ],
)
def test_waves_beside_a_beat_are_not_taken_for_it(
    data_dir: Path, name: str, from_s: float, to_s: float, floor: float
) -> None:
    samples, rate_hz, beats = record(data_dir, name, from_s, to_s)
    assert f1(beats, onsets(samples, rate_hz), to_s - from_s - 0.3) >= floor


@pytest.mark.parametrize("hum_mv", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("mains_hz", [49.9, 50.0, 60.0])
def test_what_is_left_of_hum_is_no_heart(data_dir: Path, hum_mv: float, mains_hz: float) -> None:
    """Ten seconds into an ECG the electrode is off: mains with harmonics, 12 bits over 10 mV."""
    samples, rate_hz, beats = record_100(data_dir, 0, 60.0)
    off = slice(round(20 * rate_hz), round(40 * rate_hz))
    t = np.arange(len(samples))[off] / rate_hz
    samples[off] = hum_mv * (np.sin(2 * np.pi * mains_hz * t) + 0.2 * np.sin(6 * np.pi * mains_hz * t))
    samples = np.round(samples * 409.6) / 409.6
    times = onsets(samples, rate_hz)
    assert np.sum((times > 20.3) & (times < 39.8)) <= 2
    back = beats[(beats > 45) & (beats < 59.5)]
    assert np.abs(times[:, None] - back).min(axis=0).max() < 0.03


# Unannotated recordings: a consensus of libraries that see the whole record. It is not the truth: where fewer
# than three of five mark a beat in record 208, the trace shows ventricular ectopics all the same.


def library_detectors(samples: Samples, rate_hz: float) -> dict[str, Samples]:
    nk = import_module("neurokit2")
    sleepecg = import_module("sleepecg")
    processing = import_module("wfdb.processing")
    rate = int(rate_hz)
    clean = nk.ecg_clean(samples, sampling_rate=rate)
    found = {
        "neurokit": nk.ecg_peaks(clean, sampling_rate=rate)[1]["ECG_R_Peaks"],
        "christov": nk.ecg_peaks(samples, sampling_rate=rate, method="christov2004")[1]["ECG_R_Peaks"],
        "elgendi": nk.ecg_peaks(clean, sampling_rate=rate, method="elgendi2010")[1]["ECG_R_Peaks"],
        "sleepecg": sleepecg.detect_heartbeats(samples, rate_hz),
        "xqrs": processing.xqrs_detect(samples, rate_hz, verbose=False),
    }
    return {name: np.asarray(at) / rate_hz for name, at in found.items()}


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("recording", [mitdb_208, resting, raw_counts])
def test_every_beat_that_libraries_share_is_found(recording: Callable[[], tuple[Samples, float]]) -> None:
    samples, rate_hz = recording()
    libraries = library_detectors(samples, rate_hz)
    times, counts = consensus(list(libraries.values()))
    ours = onsets(samples, rate_hz)
    _, missed, _ = compare(times[counts >= 4], ours)
    # Two that are closer than the heart can beat (200 ms, Pan & Tompkins 1985) are not both beats: at 58.65 s of
    # record 208 libraries take a lone spike and pass over the beat after it.
    assert not [time for time in missed if np.abs(ours - time).min() > 0.2]
    # What fewer than two of five see is an extra beat; no more of those than the median library has.
    seen = times[counts >= 2]
    extra = sum(np.abs(seen - time).min() > 0.2 for time in compare(seen, ours)[2])
    theirs = sorted(len(compare(seen, found)[2]) for found in libraries.values())
    print(f"extra {extra}, libraries {theirs}; all ours {len(ours)}")
    assert extra <= theirs[len(theirs) // 2]


# What must not change the result: gain, inversion, rates, hum (figure: F1 moves by 0.02 at most).


Change = Callable[[Samples, float], tuple[Samples, float]]


def _hummed(mains_hz: float) -> Change:
    return lambda x, rate_hz: (x + hum(len(x), rate_hz, mains_hz, qrs_height(x)), rate_hz)


def _at(new_rate_hz: float) -> Change:
    return lambda x, rate_hz: (resampled(x, rate_hz, new_rate_hz), new_rate_hz)


def qrs_height(x: Samples) -> float:
    return float(np.quantile(x, 0.999) - np.median(x))


CHANGES: dict[str, Change] = {
    "inverted leads": lambda x, rate_hz: (-x, rate_hz),
    "a tenth": lambda x, rate_hz: (0.1 * x, rate_hz),
    "tenfold": lambda x, rate_hz: (10 * x, rate_hz),
    "on 300 mV": lambda x, rate_hz: (x + 300.0, rate_hz),
    "125 Hz": _at(125.0),
    "250 Hz": _at(250.0),
    "500 Hz": _at(500.0),
    "1000 Hz": _at(1000.0),
    "50 Hz hum": _hummed(50.0),
    "60 Hz hum": _hummed(60.0),
    "hum of a weak grid": _hummed(49.5),
}


@pytest.mark.parametrize("lead", [0, 1], ids=["MLII", "V5"])
@pytest.mark.parametrize("name", CHANGES)
def test_it_does_not_depend_on(data_dir: Path, name: str, lead: int) -> None:
    samples, rate_hz, beats = record_100(data_dir, lead, FIVE_MINUTES_S)
    changed, new_rate_hz = CHANGES[name](samples, rate_hz)
    score = f1(beats, onsets(changed, new_rate_hz), FIVE_MINUTES_S - 0.3)
    assert score >= 0.995, score


def test_hum_in_a_slow_recording_does_not_matter(data_dir: Path) -> None:
    """125 Hz, hum added before resampling, as an analogue stage would."""
    samples, rate_hz, beats = record_100(data_dir, 1, FIVE_MINUTES_S)
    hummed = samples + hum(len(samples), rate_hz, 50.0, qrs_height(samples))
    found = onsets(resampled(hummed, rate_hz, 125.0), 125.0)
    assert f1(beats, found, FIVE_MINUTES_S - 0.3) >= 0.995


def test_muscle_noise_costs_no_more_than_a_library_that_sees_it_all(data_dir: Path) -> None:
    """Real forearm EMG, resampled, at a fifth of the QRS height (rms), on both leads; pooled."""
    nk = import_module("neurokit2")
    ours, theirs = [], []
    for lead in (0, 1):
        samples, rate_hz, beats = record_100(data_dir, lead, FIVE_MINUTES_S)
        for name, column in (("cued-21547-2-1", 6), ("cued-45612-1-2", 2), ("cued-12345-1-7", 3)):
            table = np.loadtxt(data_dir / "emg" / f"{name}.csv", delimiter=",", skiprows=1)
            muscle = resampled(table[:, column] - table[:, column].mean(), 200.0, rate_hz)
            noisy = samples + np.resize(muscle, len(samples)) / muscle.std() * 0.2 * qrs_height(samples)
            ours.append(f1(beats, onsets(noisy, rate_hz), FIVE_MINUTES_S - 0.3))
            clean = nk.ecg_clean(noisy, sampling_rate=360)
            found = np.asarray(nk.ecg_peaks(clean, sampling_rate=360)[1]["ECG_R_Peaks"]) / rate_hz
            theirs.append(f1(beats, found, FIVE_MINUTES_S - 0.3))
    print(f"ours {np.round(ours, 4)}, library {np.round(theirs, 4)}")
    assert np.mean(ours) >= 0.97
    assert np.mean(ours) >= np.mean(theirs) - 0.005


def test_steps_of_the_amplitude_are_followed(data_dir: Path) -> None:
    samples, rate_hz, beats = record_100(data_dir, 0, FIVE_MINUTES_S)
    t = np.arange(len(samples)) / rate_hz
    stepped = (samples - np.median(samples)) * np.where((t // 30) % 2 == 0, 1.0, 0.25)
    assert f1(beats, onsets(stepped, rate_hz), FIVE_MINUTES_S - 0.3) >= 0.98


def test_single_wild_samples_are_passed_over(data_dir: Path) -> None:
    """A bit lost on the wire: after the first seconds such samples change nothing."""
    samples, rate_hz, beats = record_100(data_dir, 0, FIVE_MINUTES_S)
    wild = samples.copy()
    rng = np.random.default_rng(3)
    wild[rng.integers(round(5 * rate_hz), len(wild), 60)] += rng.choice([-20.0, 20.0], 60)
    assert f1(beats, onsets(wild, rate_hz), FIVE_MINUTES_S - 0.3) >= 0.995


@pytest.mark.parametrize("rate", [30, 45, 60, 100, 150, 180, 220])
@pytest.mark.parametrize("rate_hz", [125.0, 250.0, 1000.0])
def test_rates_from_30_to_220(rate: int, rate_hz: float) -> None:
    samples, beats = heart(rate, 40.0, rate_hz)
    found = beats_of(detect(samples, rate_hz))
    from_s = 9.0 if rate < 40 else 5.0  # two beats to learn from, and two intervals
    reference = beats[(beats >= from_s) & (beats < 39.5)]
    times = np.array([event.onset for event in found])
    times = times[(times >= from_s - 0.1) & (times < 39.6)]
    assert np.abs(times[:, None] - reference).min(axis=0).max() < 0.03
    assert len(times) <= len(reference) + 1
    assert found[-1].values["rate"] == pytest.approx(rate, rel=0.1)


# Silence where there is no heart.


@pytest.mark.parametrize("rate_hz", [125.0, 250.0, 500.0])
def test_white_noise_is_no_heart(rate_hz: float) -> None:
    rng = np.random.default_rng(11)
    found = beats_of(detect(rng.standard_normal(round(300 * rate_hz)), rate_hz))
    assert len(found) <= 5  # in five minutes


def test_muscles_and_brain_are_no_heart(data_dir: Path) -> None:
    """Forearm EMG and EEG given to it by mistake: less than two beats a minute, pooled."""
    beats, minutes = 0, 0.0
    muscles = sorted((data_dir / "emg").glob("cued-*[0-9].csv"))
    for path in [*muscles, data_dir / "eeg" / "eye-state-128hz.csv"]:
        table = np.loadtxt(path, delimiter=",", skiprows=1)
        rate_hz = (len(table) - 1) / (table[-1, 0] - table[0, 0])
        for column in table.T[1:5]:
            beats += len(beats_of(detect(np.ascontiguousarray(column), rate_hz)))
            minutes += len(column) / rate_hz / 60
    print(f"{beats} in {minutes:.0f} min")
    assert minutes > 20
    assert beats / minutes < 2


# The stream.


@pytest.mark.parametrize("size", [1, 7, 23, 24, 32, 5000])
def test_real_signal_in_any_blocks_gives_identical_events(data_dir: Path, size: int) -> None:
    samples, rate_hz, _ = record_100(data_dir, 1, 60.0)
    assert detect(samples, rate_hz, size) == detect(samples, rate_hz, len(samples))


@pytest.mark.parametrize("size", [1, 40])
def test_ectopics_and_artefacts_in_any_blocks_give_identical_events(size: int) -> None:
    samples, rate_hz = mitdb_208()
    part = samples[: round(100 * rate_hz)]
    assert detect(part, rate_hz, size) == detect(part, rate_hz, 4096)


hostile = st.one_of(
    st.floats(-2, 2),
    st.sampled_from([np.nan, np.inf, -np.inf, 1e300, -1e300, 1e14, 0.0, 5e-324]),
)


@settings(max_examples=60, deadline=None)
@given(
    wild=st.lists(hostile, min_size=1, max_size=40),
    at=st.integers(0, 2400),
    sizes=st.lists(st.integers(1, 900), min_size=1, max_size=4),
)
def test_hostile_samples_never_crash_it_nor_split_it(wild: list[float], at: int, sizes: list[int]) -> None:
    samples, _ = heart(80, 10.0, 250.0)
    samples[at : at + len(wild)] = wild[: len(samples) - at]
    with np.errstate(all="raise", under="ignore"):
        whole = detect(samples, 250.0, len(samples))
    detector = heartbeat.create("heart", [Channel("ecg", "ecg", "mV")], 250.0, {})
    found, start, turn = [], 0, 0
    while start < len(samples):
        size = sizes[turn % len(sizes)]
        found.extend(detector.process(Block(samples[start : start + size, None], start)))
        start, turn = start + size, turn + 1
    assert found + detector.flush() == whole
    for event in beats_of(whole):
        assert np.isfinite([event.onset, event.decided, *event.values.values()]).all()


def test_it_comes_back_after_hostile_samples() -> None:
    samples, beats = heart(80, 60.0, 250.0)
    for at, value in ((2500, np.nan), (5000, 1e300), (7500, 1e12)):
        samples[at : at + 20] = value
    times = np.array([event.onset for event in beats_of(detect(samples, 250.0))])
    late = beats[(beats > 40) & (beats < 59.5)]
    assert np.abs(times[:, None] - late).min(axis=0).max() < 0.03


def test_a_gap_gives_no_interval_across_it() -> None:
    samples, _ = heart(75, 60.0, 250.0, jitter=0.0)
    detector = heartbeat.create("heart", [Channel("ecg", "ecg", "mV")], 250.0, {})
    found = beats_of(detector.process(Block(samples[:5000, None], 0)))
    after = beats_of(detector.process(Block(samples[6000:, None], 6000)))
    assert "rr_ms" not in after[0].values
    assert after[0].onset < 24 + 0.5 + 0.8 + 0.1, "what was learnt stays"
    assert after[0].values["rate"] == pytest.approx(75, rel=0.02)
    for event in [*found[1:], *after[1:]]:
        assert event.values["rr_ms"] == pytest.approx(800, abs=8)


def test_levels_and_variability_come_with_the_beats() -> None:
    found = detect(heart(60, 130.0, 250.0)[0], 250.0)
    beats = beats_of(found)
    all_levels = [item for item in found if isinstance(item, Level)]
    levels = [level for level in all_levels if level.kind == "heart-rate"]
    variability = [level.value for level in all_levels if level.kind == "heart-variability"]
    assert variability == [beat.values["rmssd_ms"] for beat in beats if "rmssd_ms" in beat.values]
    assert [level.value for level in levels] == [beat.values["rate"] for beat in beats]
    assert [level.time for level in levels] == [beat.decided for beat in beats]
    early = [beat for beat in beats if beat.onset < 60]
    late = [beat for beat in beats if beat.onset > 66]
    assert all("sdnn_ms" not in beat.values for beat in early)
    for beat in late:
        assert {"sdnn_ms", "rmssd_ms", "pnn50"} <= set(beat.values)
        last = [other.values["rr_ms"] for other in beats if beat.onset - 60 < other.onset <= beat.onset]
        assert beat.values["sdnn_ms"] == pytest.approx(np.std(last, ddof=1))


def test_the_rate_is_the_mean_of_the_intervals_asked_for() -> None:
    samples, _ = heart(70, 40.0, 250.0, jitter=0.1)
    for averaged in (1, 5):
        found = beats_of(detect(samples, 250.0, settings={"averaged": averaged}))
        last = [beat.values["rr_ms"] for beat in found[-averaged:]]
        assert found[-1].values["rate"] == pytest.approx(60000 / np.mean(last))


@pytest.mark.parametrize(
    "wrong",
    [{"slowest": 10}, {"slowest": 100, "fastest": 90}, {"fastest": 300}, {"averaged": 0}, {"averaged": 2.5}],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(SettingsError):
        heartbeat.create("heart", [Channel("ecg", "ecg")], 250.0, wrong)


def test_the_last_beat_is_told_when_the_stream_ends() -> None:
    samples, beats = heart(60, 30.0, 250.0)
    whole = beats[beats < 28][-1]
    cut = samples[: round((whole + 0.08) * 250)]
    detector = heartbeat.create("heart", [Channel("ecg", "ecg")], 250.0, {})
    running = beats_of(detector.process(Block(cut[:, None], 0)))
    (last,) = (event for event in detector.flush() if isinstance(event, Event))
    assert abs(running[-1].onset - whole) > 0.5
    assert last.onset == pytest.approx(whole, abs=0.02)
    assert last.onset <= last.decided < len(cut) / 250
