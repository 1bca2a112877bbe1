"""The picture of the errors: every error has a stretch, and the drawn marks are where they belong."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from bridge.evaluation.plot import MOST_STRETCHES, STRETCH_S, plot, stretches
from bridge.evaluation.running import bind_detector, evaluate, run
from bridge.recordings import ChannelChoice, Recording, read
from bridge.recordings.recording import Segment
from bridge.signals.types import Annotation, Channel, StreamInfo

TALL, HEAD = 200, 120  # pixels of one stretch and of what is around them, at 100 dots an inch


@given(st.lists(st.floats(0, 300), max_size=60), st.floats(10.5, 300))
def test_every_error_lies_in_a_stretch_and_stretches_do_not_overlap(at: list[float], end_s: float) -> None:
    inside = [time for time in at if time <= end_s]
    found = stretches(inside, 0.0, end_s)
    assert all(any(low <= time <= high for low, high in found) for time in inside)
    assert all(before[1] <= after[0] for before, after in pairwise(found))
    assert all(0 <= low < high <= end_s and high - low <= STRETCH_S + 1e-9 for low, high in found)


@pytest.fixture(scope="module")
def ecg(data_dir: Path) -> Recording:
    whole = read(data_dir / "ecg/100.hea", channels=[ChannelChoice("MLII")])
    samples = next(whole.blocks(round(60 * whole.info.rate))).samples
    return Recording(whole.info, (Segment(0, samples),))


def drawn(path: Path, recording: Recording, reference: list[Annotation]) -> Image.Image:
    (binding,) = bind_detector(recording, "heartbeat")
    done = run(recording, binding)
    plot(path, recording, done, evaluate(recording, done, reference), "a recording")
    with Image.open(path) as picture:
        return picture.convert("RGB")


def coloured(picture: Image.Image, red: int, green: int, blue: int) -> int:
    """How many pixels are near that colour."""
    pixels = np.asarray(picture).astype(int)
    return int((np.abs(pixels - (red, green, blue)).max(axis=2) < 40).sum())


def test_missed_and_false_marks_show_where_the_reference_is_wrong(ecg: Recording, tmp_path: Path) -> None:
    """A beat invented in a pause must be drawn as missed, a beat taken out as a false alarm."""
    (binding,) = bind_detector(ecg, "heartbeat")
    beats = [Annotation(event.onset, 0.0, "heartbeat") for event in run(ecg, binding).events]
    clean = drawn(tmp_path / "clean.png", ecg, beats)
    between = (beats[20].onset + beats[21].onset) / 2
    changed = [*beats[:21], Annotation(between, 0.0, "heartbeat"), *beats[21:40], *beats[41:]]
    wrong = drawn(tmp_path / "wrong.png", ecg, changed)
    missed, false = (214, 39, 40), (148, 103, 189)  # matplotlib's tab:red and tab:purple
    assert coloured(wrong, *missed) > coloured(clean, *missed) + 100
    assert coloured(wrong, *false) > coloured(clean, *false) + 50
    assert wrong.height > clean.height, "two errors far apart have a stretch each"


def test_many_errors_are_cut_to_so_many_stretches(tmp_path: Path) -> None:
    """A reference that is wrong throughout makes a long picture, not an endless one."""
    rate_hz = 100.0
    noise = np.random.default_rng(5).normal(size=(round(400 * rate_hz), 1))
    recording = Recording(StreamInfo((Channel("lead", "ecg"),), rate_hz), (Segment(0, noise),))
    reference = [Annotation(float(at), 0.0, "heartbeat") for at in range(6, 400)]
    picture = drawn(tmp_path / "long.png", recording, reference)
    assert picture.height <= MOST_STRETCHES * TALL + HEAD + 5


def test_an_unknown_file_ending_is_refused(ecg: Recording, tmp_path: Path) -> None:
    (binding,) = bind_detector(ecg, "heartbeat")
    done = run(ecg, binding)
    with pytest.raises(ValueError, match="xyz"):
        plot(tmp_path / "a.xyz", ecg, done, evaluate(ecg, done, []), "a recording")
