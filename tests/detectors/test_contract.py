"""The contract every registered detector passes, whatever it detects.

The signals are synthetic, for the contract only: nothing here says how well a detector detects.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.detectors import DETECTORS, Detector, DetectorType, SettingsError
from bridge.signals.filters import SamplingRateError
from bridge.signals.types import (
    Block,
    Channel,
    ChannelKind,
    Detection,
    Event,
    Level,
    Samples,
    moment,
)

RATE_HZ = 250.0
CASES = [
    pytest.param(type_, kind, id=f"{name}-{kind}")
    for name, type_ in DETECTORS.items()
    for kind in type_.kinds
]
every_case = pytest.mark.parametrize(("type_", "kind"), CASES)


def channels(kind: ChannelKind, count: int = 1) -> list[Channel]:
    return [Channel(f"c{number}", kind, "uV") for number in range(count)]


# What watches a minute would say too little in the seconds of this suite.
_SOON = {"rested_duration_s": 0.08, "start_level": 0.3, "end_level": 0.2}
SETTINGS: dict[tuple[str, str], dict[str, object]] = {
    ("drowsiness", "eeg"): {"window_s": 10.0, **_SOON},
    ("drowsiness", "eog-vertical"): {"window_s": 6.0, **_SOON},
    ("alpha", "eeg"): {"start_contrast": 2.5, "end_contrast": 1.7, "average_s": 1.0},
}


def create(type_: DetectorType, kind: ChannelKind, count: int = 1, rate_hz: float = RATE_HZ) -> Detector:
    return type_.create("under-test", channels(kind, count), rate_hz, SETTINGS.get((type_.name, kind), {}))


def lively(kind: ChannelKind, seconds: float = 40.0, rate_hz: float = RATE_HZ, count: int = 1) -> Samples:
    """Something that makes a detector of this kind work: pulses, steps or bursts on noise, hum and drift."""
    rng = np.random.default_rng(20)
    n = round(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    columns = []
    for _ in range(count):
        x = rng.normal(0, 4, n)
        if kind == "ecg":
            for beat in np.arange(0.5, seconds, 0.83):
                x += 900 * np.exp(-0.5 * ((t - beat) / 0.012) ** 2)
                x += 180 * np.exp(-0.5 * ((t - beat - 0.28) / 0.05) ** 2)
        elif kind in ("eeg", "eog-vertical"):
            for blink in np.arange(1.0, seconds, 2.7):
                if kind == "eog-vertical" and blink % 12 > 8.6:
                    continue  # closed lids do not blink
                x += 220 * np.exp(-0.5 * ((t - blink) / 0.07) ** 2)
            if kind == "eog-vertical":
                x += 200 * ((t % 12) > 9)
            else:
                x += 12 * np.sin(2 * np.pi * 10 * t) * ((t % 6) > 4)
        elif kind == "eog-horizontal":
            x += 250 * np.sign(np.sin(2 * np.pi * t / 4.4)) * (np.abs(np.sin(2 * np.pi * t / 4.4)) > 0.5)
        elif kind == "emg":
            x *= np.where((t % 7) > 4.5, 12.0, 1.0)
        else:
            x = np.abs(x) / 4 + 60 * ((t % 7) > 4.5)
        x += 3 * np.sin(2 * np.pi * 50 * t) + 20 * np.sin(2 * np.pi * 0.05 * t) + 500
        columns.append(x)
    return np.column_stack(columns)


def feed(detector: Detector, samples: Samples, sizes: Iterator[int] | int, first: int = 0) -> list[Detection]:
    """Feed in blocks; flush at the end."""
    found: list[Detection] = []
    start = 0
    while start < len(samples):
        size = sizes if isinstance(sizes, int) else next(sizes)
        found.extend(detector.process(Block(samples[start : start + size], first + start)))
        start += size
    found.extend(detector.flush())
    return found


def of_events(found: Sequence[Detection]) -> list[Event]:
    return [item for item in found if isinstance(item, Event)]


@every_case
def test_the_signals_of_this_suite_do_make_it_speak(type_: DetectorType, kind: ChannelKind) -> None:
    """Otherwise every check below would pass on a detector that never says anything."""
    assert len(of_events(feed(create(type_, kind), lively(kind), 32))) >= 3


@every_case
@pytest.mark.parametrize("size", [1, 7, 32, 250])
def test_block_sizes_make_no_difference(type_: DetectorType, kind: ChannelKind, size: int) -> None:
    samples = lively(kind)
    whole = feed(create(type_, kind), samples, len(samples))
    assert feed(create(type_, kind), samples, size) == whole


@every_case
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32 - 1))
def test_any_split_gives_the_same_events(type_: DetectorType, kind: ChannelKind, seed: int) -> None:
    samples = lively(kind, seconds=16)
    whole = feed(create(type_, kind), samples, len(samples))
    rng = np.random.default_rng(seed)
    sizes = iter(lambda: int(rng.choice([0, 1, 2, 3, 17, 60, 61, 400])), -1)
    assert feed(create(type_, kind), samples, sizes) == whole


@every_case
def test_an_event_comes_out_of_the_call_whose_time_is_its_decision(
    type_: DetectorType, kind: ChannelKind
) -> None:
    detector, samples = create(type_, kind), lively(kind)
    spoke = 0
    for index in range(len(samples)):
        for item in detector.process(Block(samples[index : index + 1], index)):
            assert moment(item) == pytest.approx(index / RATE_HZ, abs=1e-9)
            spoke += isinstance(item, Event)
    assert spoke >= 3


@every_case
def test_events_are_in_order_and_know_their_own_latency(type_: DetectorType, kind: ChannelKind) -> None:
    found = feed(create(type_, kind), lively(kind), 50)
    moments = [moment(item) for item in found]
    assert moments == sorted(moments)
    for event in of_events(found):
        assert 0 <= event.onset <= event.decided
        if event.edge != "end":
            assert event.decided - event.onset <= type_.latency_s + 1e-9


@every_case
def test_it_says_only_what_it_is_registered_for(type_: DetectorType, kind: ChannelKind) -> None:
    events = {event.kind: event for event in type_.events}
    levels = {level.kind: level for level in type_.levels}
    for item in feed(create(type_, kind), lively(kind), 50):
        assert item.kind in (events if isinstance(item, Event) else levels)
        if isinstance(item, Event):
            declared = events[item.kind]
            assert (item.edge == "instant") != declared.lasts
            assert {*item.values, *item.unknown} <= {*declared.values_at(item.edge)}
        assert item.detector == "under-test"
        if isinstance(item, Event):
            assert item.channel == "c0"
            assert 0 <= item.confidence <= 1
            assert all(np.isfinite(value) for value in item.values.values())
        else:
            assert np.isfinite(item.value)


@every_case
def test_every_start_has_its_end(type_: DetectorType, kind: ChannelKind) -> None:
    """Also for a state that is open when the stream ends: flush ends it."""
    samples = lively(kind)
    for length in (len(samples), 6 * 250 - 30, 13 * 250 - 30):
        open_kinds: set[str] = set()
        for event in of_events(feed(create(type_, kind), samples[:length], 50)):
            if event.edge == "start":
                assert event.kind not in open_kinds
                open_kinds.add(event.kind)
            elif event.edge == "end":
                assert event.kind in open_kinds
                open_kinds.remove(event.kind)
        assert not open_kinds


@every_case
def test_the_input_is_not_changed(type_: DetectorType, kind: ChannelKind) -> None:
    samples = lively(kind, seconds=8)
    before = samples.copy()
    samples.flags.writeable = False
    create(type_, kind).process(Block(samples, 0))
    np.testing.assert_array_equal(samples, before)


@every_case
def test_blocks_may_be_views_of_wider_ones(type_: DetectorType, kind: ChannelKind) -> None:
    """Sources hand out columns of a block without copying: strided, not contiguous."""
    samples = lively(kind, seconds=16)
    wide = np.column_stack([samples, np.zeros((len(samples), 3))])[:, :1]
    assert not wide.flags.c_contiguous
    assert feed(create(type_, kind), wide, 40) == feed(create(type_, kind), samples, 40)


@every_case
def test_reset_equals_a_fresh_one(type_: DetectorType, kind: ChannelKind) -> None:
    samples = lively(kind)
    used = create(type_, kind)
    used.process(Block(samples[:4321] * 3 - 200, 0))
    used.reset()
    assert feed(used, samples, 50) == feed(create(type_, kind), samples, 50)


@every_case
@pytest.mark.parametrize("value", [0.0, 512.0, -32768.0, 1e6])
def test_a_flat_line_is_no_event(type_: DetectorType, kind: ChannelKind, value: float) -> None:
    assert not of_events(feed(create(type_, kind), np.full((5000, 1), value), 100))


@every_case
def test_a_line_at_the_rail_is_no_event(type_: DetectorType, kind: ChannelKind) -> None:
    channel = replace(channels(kind)[0], low=0.0, high=1023.0, unit="count")
    detector = type_.create("under-test", [channel], RATE_HZ, {})
    assert not of_events(feed(detector, np.full((5000, 1), 1023.0), 100))


@every_case
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_no_event(type_: DetectorType, kind: ChannelKind, value: float) -> None:
    assert not of_events(feed(create(type_, kind), np.full((3000, 1), value), 100))


@every_case
@pytest.mark.parametrize("hole", [np.nan, np.inf])
def test_holes_do_not_stop_it(type_: DetectorType, kind: ChannelKind, hole: float) -> None:
    """After a hole it goes on, values stay finite, and splits still make no difference."""
    samples = lively(kind, seconds=60)
    broken = samples.copy()
    broken[2000:2003] = hole
    broken[7000:7100] = hole
    found = of_events(feed(create(type_, kind), broken, 64))
    assert found == of_events(feed(create(type_, kind), broken, 1))
    assert sum(event.onset > 35 for event in found) >= 2
    for event in found:
        assert np.isfinite([event.onset, event.decided, *event.values.values()]).all()
        assert not 28.02 < event.onset < 28.39, "an onset inside the hole"


def with_losses(samples: Samples, seed: int) -> list[tuple[int, Samples]]:
    """Stretches between lost runs of 1 to 40 samples (4 to 160 ms), with holes of such lengths in them."""
    rng = np.random.default_rng(seed)
    samples = samples.copy()
    for at in rng.integers(100, len(samples) - 100, 12):
        samples[at : at + int(rng.choice([1, 2, 5, 20, 40]))] = np.nan
    stretches, position = [], 0
    while position < len(samples):
        length = int(rng.integers(100, 700))
        stretches.append((position, samples[position : position + length]))
        position += length + int(rng.choice([1, 2, 5, 20, 25, 26, 40]))
    return stretches


@every_case
def test_splits_make_no_difference_where_samples_are_lost(type_: DetectorType, kind: ChannelKind) -> None:
    """Short losses are bridged, longer ones restart it; nothing is told before a sample could tell it."""
    spoke = 0
    for seed in (1, 2, 3):
        stretches = with_losses(lively(kind), seed)
        told = []
        for size in (1, 7, 10_000):
            detector, found = create(type_, kind), []
            for first, samples in stretches:
                for start in range(0, len(samples), size):
                    block = Block(samples[start : start + size], first + start)
                    now = detector.process(block)
                    found.extend(now)
                    assert all(block.first <= round(moment(item) * RATE_HZ) < block.end for item in now)
            told.append(found + detector.flush())
        assert told[0] == told[1] == told[2]
        spoke += sum(isinstance(item, Event) for item in told[0])
    assert spoke >= 2


@every_case
def test_a_lost_sample_a_second_changes_little(type_: DetectorType, kind: ChannelKind) -> None:
    """After the first seconds, in which it learns; where a level decides, it may cross its limit once more."""
    samples = lively(kind)
    whole = [event for event in of_events(feed(create(type_, kind), samples, 50)) if event.onset > 5]
    lost = samples.copy()
    lost[np.arange(249, len(samples), 250)] = np.nan
    found = [event for event in of_events(feed(create(type_, kind), lost, 50)) if event.onset > 5]
    again = [event for event in whole if any(_same(event, other) for other in found)]
    assert len(again) >= 0.9 * len(whole)
    assert len(found) <= 1.1 * len(whole) + 2


def _same(one: Event, other: Event) -> bool:
    return (one.kind, one.edge) == (other.kind, other.edge) and abs(one.onset - other.onset) < 0.1


@every_case
def test_a_gap_ends_what_is_open_and_keeps_the_clock(type_: DetectorType, kind: ChannelKind) -> None:
    samples = lively(kind, seconds=60)
    for cut in (2000, 3000, 3200, 4500):
        detector = create(type_, kind)
        found = detector.process(Block(samples[:cut], 0))
        lost = 500
        found += feed(detector, samples[cut + lost :], 64, first=cut + lost)
        open_kinds: set[str] = set()
        for event in of_events(found):
            assert 0 <= event.onset <= event.decided <= len(samples) / RATE_HZ
            inside = cut / RATE_HZ < event.onset < (cut + lost) / RATE_HZ - 1e-9
            assert not inside, "an onset where no sample was"
            if event.edge == "start":
                assert event.onset >= (cut + lost) / RATE_HZ - 1e-9 or event.decided < cut / RATE_HZ, (
                    "a start that spans the gap"
                )
                open_kinds.add(event.kind)
            elif event.edge == "end":
                open_kinds.discard(event.kind)
            if event.decided >= (cut + lost) / RATE_HZ and event.edge != "end":
                assert event.onset >= (cut + lost) / RATE_HZ - 1e-9
        assert not open_kinds
        assert sum(event.onset > (cut + lost) / RATE_HZ + 5 for event in of_events(found)) >= 2


@every_case
def test_a_gap_alone_is_no_event(type_: DetectorType, kind: ChannelKind) -> None:
    """Quiet before and after; only the offset differs, as after a cable was put back.

    An envelope's height is its message, so there it stays.
    """
    rng = np.random.default_rng(5)
    offset = 0 if kind == "emg-envelope" else 300
    detector = create(type_, kind)
    found = detector.process(Block(rng.normal(0, 1, (5000, 1)), 0))
    found += feed(detector, rng.normal(0, 1, (5000, 1)) + offset, 64, first=9000)
    after = [event for event in of_events(found) if 36 - 0.5 <= event.onset < 36 + 2]
    assert not after


@every_case
def test_empty_blocks_are_nothing(type_: DetectorType, kind: ChannelKind) -> None:
    detector = create(type_, kind)
    assert detector.process(Block(np.empty((0, 1)), 0)) == []
    assert of_events(detector.flush()) == []
    assert of_events(detector.flush()) == []


@every_case
def test_a_stream_may_start_late(type_: DetectorType, kind: ChannelKind) -> None:
    """A stream that starts at sample 250,000 gives the same events 1000 s later."""
    samples = lively(kind)
    early = feed(create(type_, kind), samples, 50)
    late = feed(create(type_, kind), samples, 50, first=250_000)
    assert [
        (event.kind, event.edge, round(event.onset, 6), round(event.decided, 6)) for event in of_events(early)
    ] == [
        (event.kind, event.edge, round(event.onset - 1000, 6), round(event.decided - 1000, 6))
        for event in of_events(late)
    ]


@every_case
def test_memory_stays_bounded(type_: DetectorType, kind: ChannelKind) -> None:
    """What it holds after ten minutes is little more than after five."""
    detector, samples = create(type_, kind), lively(kind, seconds=30)
    sizes = []
    for turn in range(20):
        for start in range(0, len(samples), 500):
            detector.process(Block(samples[start : start + 500], turn * len(samples) + start))
        if turn in (9, 19):
            sizes.append(held_bytes(detector))
    assert sizes[1] < sizes[0] * 1.2 + 20_000
    assert sizes[1] < 20_000_000


def held_bytes(root: object) -> int:
    """Bytes of everything reachable through attributes and containers."""
    seen: set[int] = set()
    total, queue = 0, [root]
    while queue:
        item = queue.pop()
        if (
            id(item) in seen
            or isinstance(item, type | str)
            or (callable(item) and not hasattr(item, "__dict__"))
        ):
            continue
        seen.add(id(item))
        total += sys.getsizeof(item)
        if isinstance(item, np.ndarray):
            total += item.nbytes if item.base is None else 0
        elif isinstance(item, dict):
            queue.extend(item.values())
        elif hasattr(item, "__iter__") and hasattr(item, "__len__"):
            queue.extend(item)
        queue.extend(vars(item).values() if hasattr(item, "__dict__") else ())
        slots = getattr(type(item), "__slots__", ())
        queue.extend(getattr(item, slot) for slot in slots if hasattr(item, slot))
    return total


@every_case
def test_the_trace_belongs_to_the_last_block(type_: DetectorType, kind: ChannelKind) -> None:
    detector, samples = create(type_, kind), lively(kind)
    for start in range(0, len(samples), 250):
        detector.process(Block(samples[start : start + 250], start))
        trace = detector.trace
        assert trace is not None
        assert trace.first == start
        assert trace.conditioned.shape == trace.upper.shape == trace.lower.shape == (250,)
    assert np.isfinite(trace.conditioned).all()


@every_case
def test_levels_come_at_a_modest_rate(type_: DetectorType, kind: ChannelKind) -> None:
    levels = [item for item in feed(create(type_, kind), lively(kind), 50) if isinstance(item, Level)]
    assert len(levels) <= 40 * 50
    if "contraction-level" in type_.tells:
        assert len(levels) > 40 * 10


LEAST_RATES_HZ = {"ecg": 125.0, "eeg": 125.0, "eog-horizontal": 83.33, "eog-vertical": 83.33, "emg": 200.0}


@every_case
@pytest.mark.parametrize("rate_hz", [83.33, 125.0, 200.0, 256.0, 500.0, 1000.0, 2000.0])
def test_usual_rates_are_carried(type_: DetectorType, kind: ChannelKind, rate_hz: float) -> None:
    """Rates of hobby boards; EMG needs 200 Hz, since its band starts at 20 Hz and must hold some of it."""
    if rate_hz < LEAST_RATES_HZ.get(kind, 83.33):
        rate_hz = LEAST_RATES_HZ[kind]
    samples = lively(kind, seconds=30, rate_hz=rate_hz)
    found = of_events(feed(create(type_, kind, rate_hz=rate_hz), samples, 64))
    assert len(found) >= 2
    assert all(event.onset <= event.decided <= len(samples) / rate_hz for event in found)


@every_case
@pytest.mark.parametrize("rate_hz", [0.5, 5.0])
def test_rates_that_cannot_carry_it_are_refused(
    type_: DetectorType, kind: ChannelKind, rate_hz: float
) -> None:
    with pytest.raises(SamplingRateError, match="Hz"):
        create(type_, kind, rate_hz=rate_hz)


@every_case
def test_unknown_settings_are_refused(type_: DetectorType, kind: ChannelKind) -> None:
    with pytest.raises(SettingsError, match="no_such_setting"):
        type_.create("under-test", channels(kind), RATE_HZ, {"no_such_setting": 1.0})


@every_case
def test_settings_are_the_registered_type(type_: DetectorType, kind: ChannelKind) -> None:
    assert isinstance(create(type_, kind).settings, type_.settings)


@pytest.mark.parametrize(
    ("type_", "kind"),
    [
        pytest.param(type_, kind, id=f"{type_.name}-{kind}")
        for type_ in DETECTORS.values()
        if type_.many_channels
        for kind in type_.kinds
    ],
)
def test_many_channels_where_it_says_so(type_: DetectorType, kind: ChannelKind) -> None:
    samples = lively(kind, count=3)
    whole = feed(create(type_, kind, count=3), samples, len(samples))
    assert len(of_events(whole)) >= 3
    assert feed(create(type_, kind, count=3), samples, 1) == whole


@every_case
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32 - 1))
@pytest.mark.filterwarnings("error")
def test_hostile_numbers_do_not_break_it(type_: DetectorType, kind: ChannelKind, seed: int) -> None:
    """Huge, tiny, repeated and missing values, with gaps: no exception, no warning, no nonsense."""
    rng = np.random.default_rng(seed)
    detector = create(type_, kind)
    first = 0
    for _ in range(30):
        n = int(rng.integers(0, 200))
        scale = 10.0 ** rng.integers(-12, 13)
        samples = rng.normal(0, scale, (n, 1))
        if rng.random() < 0.3:
            samples[:] = float(rng.choice([0, 1e-300, 1e15, -1e15, np.nan, np.inf]))
        for event in of_events(detector.process(Block(samples, first))):
            assert np.isfinite([event.onset, event.decided, event.confidence, *event.values.values()]).all()
            assert event.onset <= event.decided
        first += n + int(rng.choice([0, 0, 0, 1, 500]))
    detector.flush()


def test_the_registry_is_keyed_by_name() -> None:
    assert {name: type_.name for name, type_ in DETECTORS.items()} == {name: name for name in DETECTORS}
    assert all(type_.kinds and type_.events and type_.version >= 1 for type_ in DETECTORS.values())
