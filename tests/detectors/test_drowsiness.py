"""Drowsiness: the figures against numpy, real recordings of a rested and of a closing eye, and a model.

The blinks recording and the eye-state recording are open data (sources beside them); neither person was said to
be drowsy, so they show what the figures are, not that sleepiness is found. The model of a sleepy person
(longer blinks, long closures) is this project's own and shows only that the level moves as it is meant to.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.detectors import DETECTORS, SettingsError
from bridge.detectors.drowsiness import LONG_S, Figures, RecentClosures
from bridge.recordings import ChannelChoice, read
from bridge.signals.types import Block, Channel, Event, Level, Samples

RATE_HZ = 250.0


def run(
    x: Samples, rate_hz: float, kind: str = "eog-vertical", **settings: Any
) -> tuple[list[Event], list[Level]]:
    channels = [Channel(f"c{number}", kind) for number in range(x.shape[1])]  # type: ignore[arg-type]
    detector = DETECTORS["drowsiness"].create("drowsiness", channels, rate_hz, settings)
    found = [*detector.process(Block(x, 0)), *detector.flush()]
    return [i for i in found if isinstance(i, Event)], [i for i in found if isinstance(i, Level)]


closures = st.lists(st.tuples(st.floats(0.1, 119), st.floats(0.02, 3.0)), max_size=60)


@given(closures, st.floats(40.0, 120.0))
def test_figures_are_numpys_over_the_window(made: list[tuple[float, float]], now_s: float) -> None:
    lately = RecentClosures(60.0)
    lately.saw(0.0, now_s)
    inside = sorted((end, duration) for end, duration in made if duration <= end <= now_s)
    for end, duration in inside:
        lately.closed(end, duration)
    figures = lately.figures(now_s)
    assert figures is not None
    own = [(end, duration) for end, duration in inside if end > now_s - 60]
    seen_s = min(now_s, 60.0)
    assert figures.per_minute == pytest.approx(60 * len(own) / seen_s)
    long_s = sum(min(duration, end - max(now_s - 60, 0.0)) if end - duration < now_s - 60 else duration
                 for end, duration in own if duration > LONG_S)  # fmt: skip
    assert figures.long_share == pytest.approx(min(1.0, long_s / seen_s), abs=1e-9)
    durations = [duration for _, duration in own if duration <= LONG_S]
    if len(durations) >= 4:
        assert figures.mean_s == pytest.approx(np.mean(durations))
        assert figures.p90_s == pytest.approx(np.quantile(durations, 0.9))
    else:
        assert figures.mean_s is None


def test_the_level_rises_with_long_closures_and_longer_blinks() -> None:
    rested = Figures(17.0, 0.15, 0.2, 0.0)
    assert rested.level(0.15) == 0.0
    assert Figures(17.0, 0.15, 0.2, 0.1).level(0.15) == pytest.approx(0.5)
    assert Figures(17.0, 0.30, 0.4, 0.0).level(0.15) == pytest.approx(0.5)
    assert Figures(8.0, 0.30, 0.8, 0.1).level(0.15) == pytest.approx(1.0)
    # The rate alone says nothing, nor do blinks that are shorter than rested ones.
    assert Figures(60.0, 0.05, 0.1, 0.0).level(0.15) == 0.0


def test_before_half_of_the_window_was_seen_nothing_is_said() -> None:
    lately = RecentClosures(60.0)
    lately.saw(0.0, 20.0)
    assert lately.figures(20.0) is None
    lately.saw(50.0, 60.5)
    assert lately.figures(60.5) is not None
    # What was not seen counts neither as open nor as closed.
    lately.closed(55.0, 1.0)
    figures = lately.figures(60.5)
    assert figures is not None
    assert figures.per_minute == pytest.approx(60 * 1 / 30.0)


def lids(
    blinks: Sequence[tuple[float, float]], seconds: float, closures: Sequence[tuple[float, float]]
) -> Samples:
    """The model: blinks (time, width at half height) of 250 µV and closures (from, to) on quiet noise."""
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    x = np.random.default_rng(6).normal(0, 3, len(times))
    for at, width in blinks:
        x += 250 * np.exp(-0.5 * ((times - at) / (width / 2.355)) ** 2)
    for begin, end in closures:
        x += 62.5 * (1 + np.tanh((times - begin) / 0.04)) * (1 + np.tanh((end - times) / 0.04))
    return x[:, None]


def test_a_model_person_becomes_drowsy_and_wakes() -> None:
    rested = [(float(t), 0.15) for t in np.arange(2.0, 120.0, 3.5)]
    sleepy = [(float(t), 0.30) for t in np.arange(122.0, 240.0, 5.0)]
    awake = [(float(t), 0.15) for t in np.arange(242.0, 360.0, 3.5)]
    nods = [(float(t), float(t) + 1.6) for t in np.arange(125.0, 235.0, 10.0)]
    events, levels = run(lids(rested + sleepy + awake, 360.0, nods), RATE_HZ)
    assert [(event.kind, event.edge) for event in events] == [("drowsiness", "start"), ("drowsiness", "end")]
    start, end = events
    assert 130 < start.onset < 200
    assert 250 < end.onset < 320
    assert start.values["long_closure_share"] > 0.02
    by_time = {round(level.time): level.value for level in levels}
    assert by_time[115] < 0.2
    assert by_time[230] > 0.7
    assert by_time[350] < 0.2


def test_looks_down_that_last_are_not_taken_for_closed_eyes() -> None:
    """As high as a blink, for 12 s of each 24, with blinks going on meanwhile: closed lids cannot blink."""
    blinks = [(float(t), 0.15) for t in np.arange(2.0, 240.0, 3.5)]
    looks = [(float(t), float(t) + 12.0) for t in np.arange(30.0, 220.0, 24.0)]
    events, levels = run(lids(blinks, 240.0, looks), RATE_HZ)
    print(f"level at most {max(level.value for level in levels):.2f}")
    assert events == []


def test_a_blink_within_a_closure_says_that_there_was_none() -> None:
    lately = RecentClosures(60.0)
    lately.saw(0.0, 60.0)
    lately.began(20.0)
    lately.blinked(25.0)
    lately.ended(30.0)
    figures = lately.figures(60.0)
    assert figures is not None
    assert figures.long_share == 0.0
    # The opening's own pulse is not one, and a closure without any counts.
    lately.began(40.0)
    lately.blinked(45.9)
    lately.ended(46.0)
    figures = lately.figures(60.0)
    assert figures is not None
    assert figures.long_share == pytest.approx(0.1)


def test_a_closure_that_ends_with_the_next_one_was_never_seen_to_open() -> None:
    lately = RecentClosures(60.0)
    lately.saw(0.0, 60.0)
    lately.began(20.0)
    lately.ended(26.0)
    lately.began(26.0)
    lately.ended(29.0)
    figures = lately.figures(60.0)
    assert figures is not None
    assert figures.long_share == pytest.approx(3 / 60)


def test_a_closure_that_does_not_end_counts_when_nobody_would_leave_out_a_blink_for_so_long() -> None:
    lately = RecentClosures(60.0)
    lately.saw(0.0, 60.0)
    lately.began(10.0)
    for now_s, share in ((45.0, 0.0), (55.0, 45 / 55)):
        figures = lately.figures(now_s)
        assert figures is not None
        assert figures.long_share == pytest.approx(share)


def test_a_rested_person_is_not_drowsy(data_dir: Path) -> None:
    """The real blinks recording, with the baseline a calibration on its first half gives (about 0.2 s wide)."""
    recording = read(data_dir / "eog/blinks-200hz.csv", channels=[ChannelChoice("vertical")])
    x = np.concatenate([block.samples for block in recording.blocks()])
    blink = DETECTORS["blink"].create("b", recording.info.channels, recording.info.rate, {})
    half = len(x) // 2
    found = [
        item for item in blink.process(Block(x[:half], 0)) if isinstance(item, Event) and item.kind == "blink"
    ]
    rested = float(np.mean([event.values["duration"] for event in found]))
    events, levels = run(x, recording.info.rate, rested_duration_s=rested)
    print(
        f"rested blinks {rested * 1e3:.0f} ms wide, level at most {max(level.value for level in levels):.2f}"
    )
    assert events == []
    assert max(level.value for level in levels) < 0.5


def test_eyes_that_are_closed_half_of_the_time_are(data_dir: Path) -> None:
    """The eye-state recording: closures of 2 to 19 s, on purpose."""
    choices = [ChannelChoice("AF3", "eeg"), ChannelChoice("AF4", "eeg")]
    recording = read(data_dir / "eeg/eye-state-128hz.csv", channels=choices)
    x = np.concatenate([block.samples for block in recording.blocks()])
    events, levels = run(x, recording.info.rate, "eeg")
    assert [event.edge for event in events][:1] == ["start"]
    assert max(level.value for level in levels) > 0.9


@pytest.mark.parametrize(
    "wrong", [{"window_s": 1.0}, {"start_level": 0.2}, {"rested_duration_s": 0.0}, {"polarity": "up"}]
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(SettingsError):
        run(np.zeros((10, 1)), RATE_HZ, **wrong)


def test_it_says_what_it_is_not_and_what_it_needs() -> None:
    assert "not a safety device" in DETECTORS["drowsiness"].caution
    assert "driving" in DETECTORS["drowsiness"].caution
    assert "calibration" in DETECTORS["drowsiness"].caution
