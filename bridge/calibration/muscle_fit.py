"""A person's efforts and rest, measured round their labels in the signal itself, electrode by electrode.

The detector's own decisions play no part: nobody is refused for efforts that it does not find by itself, and
an electrode that tells nothing, or is loose, is known as such.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from bridge.calibration.labels import LONGEST_REACTION_S, Act, LabelError, Labels, Stretch
from bridge.calibration.separation import area_error, area_under_curve, d_prime
from bridge.calibration.trials import Reaction, Signal
from bridge.detectors.muscle import EmgAmplitude, EnvelopeAmplitude
from bridge.signals.types import Samples

SHORTEST_S: Final = 1.0  # a label without a duration marks an effort of at least so long (common practice)
_BEFORE_S: Final = 0.3  # a prompted effort may begin so much before its label
_RISES_S: Final = 0.2
_RELEASES_S: Final = 0.3
_LONGEST_PAUSE_S: Final = 2.0  # the rest right before an effort is what it must stand out from
_SHORTEST_PAUSE_S: Final = 0.15
_CLEARLY_ERRORS: Final = 3.0
# Fewer electrodes are tried where they tell efforts from rest so much better than all of them do.
_CLEARER: Final = 1.1


@dataclass(frozen=True, slots=True, eq=False)
class Efforts:
    """What a choice of electrodes shows: natural logarithms of the amplitude in the channels' unit.

    ``held`` and ``rests``: the median of each effort and of each pause. ``clear``: the sensitivity index of
    their samples. ``electrodes``: names, blanks between; None for all.
    """

    held: tuple[float, ...]
    rests: tuple[float, ...]
    clear: float
    reaction: Reaction | None
    electrodes: str | None = None

    @property
    def is_certain(self) -> bool:
        """Are the efforts above the pauses beyond what chance would bring?"""
        area = area_under_curve(self.held, self.rests) or 0.5
        return area - _CLEARLY_ERRORS * area_error(area, len(self.held), len(self.rests)) > 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Muscle:
    """All electrodes together, the choice that is clearly better where there is one, and each by itself.

    ``singles``: the sensitivity index by the electrode's name.
    """

    whole: Efforts
    some: Efforts | None
    singles: Mapping[str, float]


def measure(signal: Signal, labels: Labels) -> Muscle:
    """What the labelled signal shows, whatever the detector finds in it.

    Raises LabelError where the signal is no stronger at the labels than between them.
    """
    levels = amplitudes(signal)
    moves = np.asarray(np.isfinite(levels).any(axis=1))
    names = [channel.name for channel, known in zip(signal.channels, moves.tolist(), strict=True) if known]
    levels = levels[moves] if moves.any() else levels
    whole = _efforts(levels.mean(axis=0), signal, labels)
    if not np.median(whole.held) > np.median(whole.rests):
        raise LabelError(
            "the muscle is no stronger during the contractions than at rest: electrodes off the muscle, or "
            "the labels belong to another recording"
        )
    singles = [_efforts(level, signal, labels).clear for level in levels]
    order = np.argsort(singles, kind="stable")[::-1].tolist()
    best: Efforts | None = None
    for count in range(1, len(order)):
        columns = sorted(order[:count])
        chosen = " ".join(names[column] for column in columns)
        some = _efforts(levels[columns].mean(axis=0), signal, labels, chosen)
        if some.clear > max(_CLEARER * whole.clear, best.clear if best else 0.0):
            best = some
    return Muscle(whole, best, dict(zip(names, singles, strict=True)))


def amplitudes(signal: Signal) -> Samples:
    """The logarithm of each electrode's amplitude, shape (channels, n); NaN where it is not known.

    It is that of the detector's own conditioning.
    """
    is_envelope = signal.channels[0].kind == "emg-envelope"
    front_type = EnvelopeAmplitude if is_envelope else EmgAmplitude
    levels = np.full((len(signal.channels), len(signal.samples)), np.nan)
    for column, level in enumerate(levels):
        front = front_type([0], signal.rate_hz)
        there = True
        for index, value in enumerate(signal.samples[:, column].tolist()):
            if value == value:
                level[index] = front.step([value])
            elif there:
                front.reset()
            there = value == value
    levels[:, ~signal.usable] = np.nan
    return levels


def _efforts(level: Samples, signal: Signal, labels: Labels, electrodes: str | None = None) -> Efforts:
    reaction = _reaction(level, signal, [act for act in labels.firm if act.source != "seen"])
    delay_s = reaction.median_s if reaction else 0.0
    held = _parts(level, signal, [_held(act, delay_s) for act in labels.firm])
    rests = _parts(level, signal, [*_pauses(labels, delay_s), *_pieces(labels.named("rest"))])
    if not held or not rests:
        raise LabelError(
            "the signal was not usable during the contractions, or never between them: press the electrodes "
            "on, and leave a second or more between two contractions"
        )
    clear = d_prime(np.concatenate(held), np.concatenate(rests)) or 0.0
    return Efforts(_medians(held), _medians(rests), clear, reaction, electrodes)


def _medians(parts: Sequence[Samples]) -> tuple[float, ...]:
    return tuple(float(np.median(part)) for part in parts)


def _held(act: Act, delay_s: float) -> Stretch:
    begun_s = act.time_s + delay_s
    return Stretch(begun_s + _RISES_S, begun_s + max(act.duration_s, SHORTEST_S), "")


def _pauses(labels: Labels, delay_s: float) -> list[Stretch]:
    """Right before each act, from when the one before it was let go."""
    found = []
    for before, act in pairwise((None, *labels.acts)):
        assert act is not None
        end_s = act.time_s + delay_s - 0.1
        start_s = end_s - _LONGEST_PAUSE_S
        if before is not None:
            let_go_s = before.time_s + max(before.duration_s, SHORTEST_S) + delay_s
            start_s = max(start_s, let_go_s + _RELEASES_S)
        if end_s - start_s >= _SHORTEST_PAUSE_S and act.is_firm:
            found.append(Stretch(start_s, end_s, ""))
    return found


def _pieces(stretches: Sequence[Stretch]) -> list[Stretch]:
    """No longer than a pause each."""
    return [
        Stretch(start, start + _LONGEST_PAUSE_S, "")
        for stretch in stretches
        for start in np.arange(
            stretch.start_s, stretch.end_s - _LONGEST_PAUSE_S + 1e-9, _LONGEST_PAUSE_S
        ).tolist()
    ]


def _parts(level: Samples, signal: Signal, spans: Sequence[Stretch]) -> list[Samples]:
    parts = [level[signal.rows(span.start_s, span.end_s)] for span in spans]
    known = [part[np.isfinite(part)] for part in parts]
    return [part for part in known if part.size]


def _reaction(level: Samples, signal: Signal, acts: Sequence[Act]) -> Reaction | None:
    """How long after its label each effort rises, by the step that fits its samples best."""
    delays = []
    for act in acts:
        start_s = act.time_s - _BEFORE_S
        row = level[signal.rows(start_s, act.time_s + LONGEST_REACTION_S)]
        if len(row) >= 2 and np.isfinite(row).all():
            delays.append(_rise(row) / signal.rate_hz - _BEFORE_S)
    if not delays:
        return None
    median_s = float(np.median(delays))
    spread_s = 1.4826 * float(np.median(np.abs(np.array(delays) - median_s)))
    return Reaction(max(0.0, median_s), spread_s, len(delays))


def _rise(row: Samples) -> int:
    """The sample at which a step up fits best, by least squares."""
    before = np.arange(1, len(row))
    after = len(row) - before
    sums = np.cumsum(row)
    steps = (sums[-1] - sums[:-1]) / after - sums[:-1] / before
    return int(np.argmax(steps * np.sqrt(before * after))) + 1
