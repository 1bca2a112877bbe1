"""Fits on real recordings: one part or session fitted, another scored. Figures are printed (pytest -s)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from recorded import PAIRS, Recorded, f1, load
from scipy.ndimage import uniform_filter1d

from bridge.calibration.evidence import Fitted
from bridge.calibration.labels import LabelError
from bridge.calibration.trials import Trial
from bridge.signals.types import Samples

# Each fit runs a detector some twenty times, sample by sample and not compiled.
pytestmark = pytest.mark.timeout(900)


@pytest.fixture(scope="module")
def halves(data_dir: Path) -> list[tuple[Recorded, Recorded, bool]]:
    """What is fitted and what is scored: blinks and gaze by time, contractions by session of one person."""
    blinks, gaze = load(data_dir, "blinks"), load(data_dir, "gaze").cut(0, 240)
    found = [
        (whole.cut(0, at), whole.cut(at, whole.end_s), False) for whole, at in ((blinks, 60.0), (gaze, 120.0))
    ]
    found.extend((load(data_dir, a).every_other(), load(data_dir, b).every_other(), True) for a, b in PAIRS)
    return found


@pytest.fixture(scope="module")
def fits(halves: list[tuple[Recorded, Recorded, bool]]) -> list[Fitted]:
    return [part.fit(few=few) for part, _, few in halves]


@pytest.fixture(scope="module")
def scores(
    halves: list[tuple[Recorded, Recorded, bool]], fits: list[Fitted]
) -> list[tuple[Trial, Trial, float]]:
    """With the fit, without it, and minutes."""
    return [
        (*(rest.score(settings)[0] for settings in (fit.settings, {})), rest.score({})[1])
        for (_, rest, _), fit in zip(halves, fits, strict=True)
    ]


def test_fitted_settings_do_no_worse_than_the_detectors_alone(
    scores: list[tuple[Trial, Trial, float]], fits: list[Fitted]
) -> None:
    """Pooled over four people: no more false activations at no fewer hits."""
    for fit, (with_fit, without, minutes) in zip(fits, scores, strict=True):
        print(
            f"{fit.detector}: fitted {with_fit.hits}/{len(with_fit.answers)}, {len(with_fit.false)} false; "
            f"alone {without.hits}, {len(without.false)} false in {minutes:.1f} min; {fit.settings}"
        )
    hits = [sum(item[which].hits for item in scores) for which in (0, 1)]
    false = [sum(len(item[which].false) for item in scores) for which in (0, 1)]
    assert hits[0] >= hits[1]
    assert false[0] <= false[1]
    assert f1([item[0] for item in scores]) >= 0.95


def test_predictions_hold_what_comes_next(
    scores: list[tuple[Trial, Trial, float]], fits: list[Fitted]
) -> None:
    """Coverage over many splits is in tests/bench/calibration; here each of the intervals must hold."""
    held = []
    for fit, (trial, _, minutes) in zip(fits, scores, strict=True):
        prediction = fit.evidence.prediction
        held.append(trial.hits / len(trial.answers) in prediction.next_hits(len(trial.answers)))
        held.append(len(trial.false) / minutes in prediction.next_false(minutes))
        if prediction.acts >= 20:
            assert prediction.next_hits(20).width <= 0.35
    assert np.mean(held) >= 0.9


def _changes(whole: Recorded, seed: int) -> dict[str, Callable[[Samples], Samples]]:
    """What amplifiers and rooms do. Hum at the signal's own amplitude where the Nyquist frequency allows."""

    def hum(hz: float) -> Callable[[Samples], Samples]:
        def add(samples: Samples) -> Samples:
            times = (whole.first + np.arange(len(samples))) / whole.info.rate
            # The signal's own amplitude: what is left without the drift.
            drift = uniform_filter1d(samples, round(whole.info.rate), axis=0)
            size = np.std(samples - drift, axis=0)
            return samples + np.sqrt(2) * size * np.sin(2 * np.pi * hz * times + seed)[:, None]

        return add

    found: dict[str, Callable[[Samples], Samples]] = {
        "x0.2": lambda samples: 0.2 * samples,
        "x5, offset": lambda samples: 5 * samples + 3000.0,
        "inverted": lambda samples: -samples,
    }
    for hz in (50.0, 60.0):
        if hz < 0.45 * whole.info.rate:
            found[f"hum {hz:.0f} Hz"] = hum(hz)
    return found


def test_gain_polarity_offset_and_hum_change_hardly_anything(
    halves: list[tuple[Recorded, Recorded, bool]], scores: list[tuple[Trial, Trial, float]]
) -> None:
    # Two thirds of the work for the same statement: one pair of contractions of the three.
    kept = [0, 1, 2]
    plain = f1([scores[index][0] for index in kept])
    trials: dict[str, list[Trial]] = {}
    for index in kept:
        part, rest, few = halves[index]
        changes = _changes(part, index)
        for name in ("x0.2", "x5, offset", "inverted", "hum 50 Hz", "hum 60 Hz"):
            change = changes.get(name)
            if change is None:
                trials.setdefault(name, []).append(scores[index][0])
                continue
            fit = part.changed(change(part.samples)).fit(few=few)
            trial, _ = rest.changed(change(rest.samples)).score(fit.settings)
            trials.setdefault(name, []).append(trial)
    for name, changed in trials.items():
        print(f"{name}: F1 {f1(changed):.4f} against {plain:.4f}; {[t.hits for t in changed]}")
        assert abs(f1(changed) - plain) <= 0.02, name


@pytest.mark.parametrize("name", ["blinks", "gaze"])
def test_a_stricter_detector_finds_fewer(data_dir: Path, name: str) -> None:
    """The factor that the fit turns must do something in the detector."""
    part = load(data_dir, name).cut(0, 100)
    lenient, strict = (part.score({"strictness": factor})[0] for factor in (0.5, 3.0))
    assert len(strict.false) + strict.hits < len(lenient.false) + lenient.hits


def test_labels_of_another_recording_are_refused(data_dir: Path) -> None:
    blinks = load(data_dir, "blinks")
    from dataclasses import replace

    shifted = tuple(replace(item, onset=(item.onset * 7.31) % 140 + 5) for item in blinks.labels)
    with pytest.raises(LabelError, match=r"not follow the cues|nobody acted"):
        replace(blinks, labels=shifted).fit()
