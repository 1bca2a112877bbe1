"""Blinks and long closures, on real recordings; synthetic signals only for what cannot be recorded at will.

Sources of what is asked for: a person blinks 17 times a minute at rest, deliberate blinks are higher and not
longer (Bentivoglio 1997; Kaneko & Sakamoto 1999); a blink matches within 150 ms of its peak and the floor is
F1 0.95 (the project's own targets); the libraries compared with are mne and neurokit2, in the same run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal

from bridge.detectors import DETECTORS, SettingsError
from bridge.evaluation.families import marks
from bridge.evaluation.matching import Matching, match
from bridge.evaluation.scores import score
from bridge.recordings import ChannelChoice, read, read_annotations
from bridge.signals.types import Annotation, Block, Channel, ChannelKind, Event, Samples

LEARNING_S = 5.0


def column(path: Path, *names: str) -> tuple[Samples, float]:
    """Columns of a recording as (n, len(names)), and the sampling rate."""
    recording = read(path, channels=[ChannelChoice(name, "eeg") for name in names])
    return np.vstack([block.samples for block in recording.blocks()]), recording.info.rate


def detect(
    x: Samples, rate_hz: float, kind: ChannelKind = "eog-vertical", settings: Mapping[str, Any] | None = None
) -> list[Event]:
    x = x.reshape(len(x), -1)
    channels = [Channel(f"c{number}", kind) for number in range(x.shape[1])]
    detector = DETECTORS["blink"].create("blink", channels, rate_hz, settings or {})
    found = [*detector.process(Block(x, 0)), *detector.flush()]
    return [item for item in found if isinstance(item, Event)]


def pair(reference: Sequence[Annotation], events: Sequence[Event], kind: str = "blink") -> Matching:
    own = sorted(
        (event for event in events if event.kind == kind and event.edge != "end"), key=lambda e: e.onset
    )
    return match(marks(reference, {kind}), own, from_s=LEARNING_S)


def f1(reference: Sequence[Annotation], events: Sequence[Event]) -> float:
    return score(pair(reference, events), 1.0, 1.0, 0.0).f1


@pytest.fixture(scope="module")
def blinks(data_dir: Path) -> tuple[Samples, float, tuple[Annotation, ...]]:
    x, rate_hz = column(data_dir / "eog/blinks-200hz.csv", "vertical")
    return x[:, 0], rate_hz, read_annotations(data_dir / "eog/blinks-200hz.reference.csv")


@pytest.fixture(scope="module")
def frontal(data_dir: Path) -> tuple[Samples, float, tuple[Annotation, ...]]:
    x, rate_hz = column(data_dir / "eeg/eye-state-128hz.csv", "AF3", "AF4")
    return x, rate_hz, read_annotations(data_dir / "eeg/eye-state-128hz.reference.csv")


def test_blinks_of_a_real_recording_are_found(blinks: tuple[Samples, float, tuple[Annotation, ...]]) -> None:
    x, rate_hz, reference = blinks
    events = detect(x, rate_hz)
    reached = f1(reference, events)
    print(f"blinks-200hz: F1 {reached:.4f}")
    assert reached >= 0.97


def test_the_latter_half_alone_does_as_well(blinks: tuple[Samples, float, tuple[Annotation, ...]]) -> None:
    x, rate_hz, reference = blinks
    cut_s = 75.0
    later = [Annotation(a.onset - cut_s, 0.0, a.label) for a in reference if a.onset >= cut_s]
    assert f1(later, detect(x[round(cut_s * rate_hz) :], rate_hz)) >= 0.95


def test_a_blink_is_told_soon_after_its_peak(blinks: tuple[Samples, float, tuple[Annotation, ...]]) -> None:
    """It falls to half height within about 70 ms of the peak, and the filter adds 35: well inside 150 ms."""
    x, rate_hz, _ = blinks
    own = [event for event in detect(x, rate_hz) if event.kind == "blink"]
    after_half = [
        e.decided - e.onset for e in own if e.values["duration"] < 0.2
    ]  # wide ones fall later: their end is later too
    assert np.median(after_half) <= 0.15
    assert np.percentile(after_half, 95) <= 0.2


@pytest.mark.parametrize("rate_hz", [200, 250, 500, 1000])
@pytest.mark.parametrize("hum_hz", [0.0, 50.0, 60.0])
def test_gain_offset_polarity_rate_and_hum_change_nothing(
    blinks: tuple[Samples, float, tuple[Annotation, ...]], rate_hz: int, hum_hz: float
) -> None:
    """Hum as high as the blinks themselves, added before resampling."""
    x, own_hz, reference = blinks
    plain = f1(reference, detect(x, own_hz))
    t = np.arange(len(x)) / own_hz
    height = float(np.percentile(x, 99.5) - np.median(x))
    hummed = x - x[0] + (height * np.sin(2 * np.pi * hum_hz * t) if hum_hz else 0.0)
    changed = signal.resample_poly(hummed, rate_hz, round(own_hz))
    for gain, offset in ((0.1, 300.0), (-10.0, -4000.0)):
        assert f1(reference, detect(gain * changed + offset, float(rate_hz))) == pytest.approx(
            plain, abs=0.02
        )


def test_no_library_does_better(blinks: tuple[Samples, float, tuple[Annotation, ...]]) -> None:
    """Offline detectors of general libraries, on the same samples; ours sees only the past."""
    mne = import_module("mne")
    neurokit = import_module("neurokit2")
    x, rate_hz, reference = blinks
    theirs: dict[str, Sequence[float]] = {}
    cleaned = neurokit.eog_clean(x, sampling_rate=rate_hz, method="neurokit")
    for method in ("mne", "brainstorm", "neurokit"):
        theirs[f"neurokit2 {method}"] = (
            neurokit.eog_findpeaks(cleaned, sampling_rate=rate_hz, method=method) / rate_hz
        )
    info = mne.create_info(["EOG"], rate_hz, "eog")
    raw = mne.io.RawArray(x[np.newaxis] * 1e-6, info, verbose="error")
    found = mne.preprocessing.find_eog_events(raw, ch_name="EOG", verbose="error")
    theirs["mne"] = found[:, 0] / rate_hz
    reached = {
        name: f1(reference, [Event("blink", "instant", float(t), float(t), "") for t in times])
        for name, times in theirs.items()
    }
    ours = f1(reference, detect(x, rate_hz))
    print(f"ours {ours:.4f}", {name: round(value, 4) for name, value in reached.items()})
    assert ours >= max(reached.values())


def test_closures_are_found_on_ac_coupled_eeg(
    frontal: tuple[Samples, float, tuple[Annotation, ...]],
) -> None:
    """Six of the eight long ones, though one lies in the learning time; false ones counted, not hidden."""
    x, rate_hz, reference = frontal
    starts = [e.onset for e in detect(x, rate_hz, "eeg") if e.kind == "long-closure" and e.edge == "start"]
    closures = [a.onset for a in reference if a.label == "long-closure"]
    hit = {c for c in closures for s in starts if abs(s - c) <= 0.7}
    print(f"closures: {len(hit)} of {len(closures)}, {len(starts) - len(hit)} false")
    assert len(hit) >= 6
    assert len(starts) - len(hit) <= 3


def test_closures_open_and_end_in_turn(frontal: tuple[Samples, float, tuple[Annotation, ...]]) -> None:
    x, rate_hz, _ = frontal
    edges = [e.edge for e in detect(x, rate_hz, "eeg") if e.kind == "long-closure"]
    assert edges[::2] == ["start"] * len(edges[::2])
    assert edges[1::2] == ["end"] * len(edges[::2])


def test_two_electrodes_give_one_event_a_blink(
    frontal: tuple[Samples, float, tuple[Annotation, ...]],
) -> None:
    x, rate_hz, _ = frontal
    onsets = [e.onset for e in detect(x, rate_hz, "eeg") if e.kind == "blink"]
    assert len(onsets) >= 10
    assert min(np.diff(onsets)) > 0.25
    assert {e.channel for e in detect(x, rate_hz, "eeg")} == {"c0+c1"}


def test_a_lead_that_drops_out_leaves_the_other(
    blinks: tuple[Samples, float, tuple[Annotation, ...]],
) -> None:
    x, rate_hz, reference = blinks
    both = np.column_stack([x, x + 500.0])
    both[round(20 * rate_hz) : round(60 * rate_hz), 0] = math.nan
    both[round(80 * rate_hz) :, 1] = math.nan
    assert f1(reference, detect(both, rate_hz)) >= 0.95


def test_spikes_of_the_electrodes_are_no_blinks(
    frontal: tuple[Samples, float, tuple[Annotation, ...]],
) -> None:
    """Four samples of tens of thousands are in this recording."""
    x, rate_hz, _ = frontal
    spikes = np.flatnonzero(np.abs(x[:, 0] - np.median(x[:, 0])) > 1000) / rate_hz
    assert len(spikes) >= 3
    onsets = np.array([e.onset for e in detect(x, rate_hz, "eeg") if e.kind == "blink"])
    assert all(np.min(np.abs(onsets - spike)) > 0.2 for spike in spikes)


@pytest.mark.parametrize(
    ("file", "names"),
    [
        ("emg/cued-12345-1-1.csv", ("ring1", "ring4")),
        ("emg/cued-45612-1-2.csv", ("ring1", "ring4")),
        ("eeg/eye-state-128hz.csv", ("O1",)),
        ("eeg/eye-state-128hz.csv", ("O2",)),
        ("eog/gaze-83hz.csv", ("horizontal",)),
    ],
)
def test_other_signals_hold_few_blinks(data_dir: Path, file: str, names: tuple[str, ...]) -> None:
    """Muscle bursts, the occipital rhythm and shifts of gaze: at most three a minute on any one channel."""
    x, rate_hz = column(data_dir / file, *names)
    for k, name in enumerate(names):
        count = sum(e.kind == "blink" for e in detect(x[:, k], rate_hz))
        print(f"{file} {name}: {count / (len(x) / rate_hz / 60):.1f} false blinks a minute")
        assert count / (len(x) / rate_hz / 60) <= 3.0


def made_up(heights: Mapping[float, float], seconds: float, rate_hz: float = 250.0) -> Samples:
    """Blinks of 200 ms at given times on noise; invented, to know which of them are larger."""
    rng = np.random.default_rng(4)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    x = rng.normal(0.0, 5.0, len(t))
    for at, height in heights.items():
        x += height * np.exp(-0.5 * ((t - at) / 0.05) ** 2)
    return x


def test_clearly_larger_blinks_are_deliberate() -> None:
    heights = {2.0 + 3.1 * k: 150.0 + 10 * (k % 3) for k in range(15)} | {49.3: 320.0, 49.9: 330.0}
    own = [e for e in detect(made_up(heights, 55.0), 250.0) if e.kind == "blink"]
    deliberate = [round(e.onset, 1) for e in own if e.values.get("deliberate")]
    assert deliberate == [49.3, 49.9]
    assert all(1.8 <= e.values["strength"] <= 2.4 for e in own if e.values.get("deliberate"))


def test_a_profile_sets_the_thresholds_and_ends_the_learning() -> None:
    x = made_up({1.0: 100.0, 2.0: 200.0, 3.0: 300.0}, 5.0)
    settings = {"threshold": 150.0, "deliberate_threshold": 250.0, "polarity": "positive"}
    own = detect(x, 250.0, settings=settings)
    assert [(round(e.onset, 1), e.values["deliberate"]) for e in own] == [(2.0, 0.0), (3.0, 1.0)]
    assert detect(x, 250.0) == []


def test_the_first_blink_may_come_late() -> None:
    """A person who does not blink while the detector learns: noise alone gives nothing."""
    own = [e for e in detect(made_up({33.0: 180.0, 36.0: 170.0}, 40.0), 250.0) if e.kind == "blink"]
    assert [round(e.onset, 1) for e in own] == [33.0, 36.0]


@pytest.mark.parametrize(
    "settings",
    [{"polarity": "up"}, {"threshold": -1.0}, {"learning_s": -1.0}, {"longest_s": 5.0}, {"closure_s": 0.0}],
)
def test_settings_that_make_no_sense_are_refused(settings: Mapping[str, Any]) -> None:
    with pytest.raises(SettingsError, match=next(iter(settings))):
        detect(np.zeros(10), 250.0, settings=settings)
