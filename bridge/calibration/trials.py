"""One run of the real detector over the labelled signal, and what it found there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from bridge.calibration.labels import LONGEST_REACTION_S, Act, Labels
from bridge.signals.types import Channel, Event, Samples


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """The detector's own channels as they were recorded, before any conditioning.

    ``samples``: shape (n, channels), NaN where samples were lost. ``usable``: shape (n,), False where the
    daemon would mute the detector because the signal is bad. ``first``: sample index of the first row.
    """

    samples: Samples
    usable: NDArray[np.bool_]
    first: int
    rate_hz: float
    channels: tuple[Channel, ...]

    def rows(self, start_s: float, end_s: float) -> slice:
        """The rows from one time to another, as far as they are there."""
        low = min(len(self.samples), max(0, round(start_s * self.rate_hz) - self.first))
        high = min(len(self.samples), max(low, round(end_s * self.rate_hz) - self.first))
        return slice(low, high)


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What the detector gave: all its events, and its own conditioned signal, one value a sample.

    ``first`` is the sample index of ``conditioned[0]``; NaN where there was no signal or none usable.
    """

    events: Sequence[Event]
    conditioned: Samples
    first: int
    rate_hz: float

    def between(self, start_s: float, end_s: float) -> Samples:
        """The conditioned signal from one time to another, without its holes."""
        low = max(0, round(start_s * self.rate_hz) - self.first)
        high = max(low, round(end_s * self.rate_hz) - self.first)
        part = self.conditioned[low:high]
        return part[np.isfinite(part)]


class Runner(Protocol):
    """Runs the real detector over the labelled signal, which can be looked at too."""

    @property
    def signal(self) -> Signal: ...

    def __call__(self, settings: Mapping[str, Any]) -> Run: ...


@dataclass(frozen=True, slots=True)
class Reaction:
    """How long after a cue the person acts, in seconds; spread is 1.4826 times the median deviation."""

    median_s: float
    spread_s: float
    count: int

    @property
    def is_regular(self) -> bool:
        """Slow people are less regular too; beyond this the acts have nothing to do with the cues."""
        return self.spread_s <= 0.2 + 0.1 * self.median_s


@dataclass(frozen=True, slots=True)
class Window:
    """An event answers an act when it lies ``before_s`` before to ``after_s`` after the act's time."""

    before_s: float
    after_s: float


# The windows of the evaluation: ANSI/AAMI EC57 for instants (from memory), the tracker's for shifts, and a
# reaction time for intervals in which the person was told to act.
_SEEN = Window(0.15, 0.15)
_SEEN_GAZE = Window(0.1, 0.4)
_CUED = Window(0.3, 1.5)
# A person's reaction times spread by a quarter of a second at most (common practice for simple reactions).
_LEAST_REACTION_WINDOW_S = 0.35
_MOST_REACTION_WINDOW_S = 0.8


def window_of(act: Act, reaction: Reaction | None) -> Window:
    """Where an act's event may lie. A prompt of our own needs the reaction, or gets all the time there is."""
    if act.source == "seen":
        return _SEEN_GAZE if act.kind.startswith("gaze-") else _SEEN
    if act.source == "cued":
        return _CUED
    if reaction is None:
        return Window(-0.05, LONGEST_REACTION_S)
    around_s = min(_MOST_REACTION_WINDOW_S, max(_LEAST_REACTION_WINDOW_S, 4 * reaction.spread_s))
    after_s = min(LONGEST_REACTION_S, reaction.median_s + around_s)
    return Window(-max(0.05, reaction.median_s - around_s), after_s)


@dataclass(frozen=True, slots=True)
class Trial:
    """One group of settings: which of the firm acts were found, by what, and what came unasked."""

    settings: Mapping[str, Any]
    answers: tuple[Event | None, ...]  # one for each of the labels' firm acts
    false: tuple[Event, ...]

    @property
    def hits(self) -> int:
        return sum(answer is not None for answer in self.answers)


def pair(
    acts: Sequence[Act], events: Sequence[Event], reaction: Reaction | None
) -> tuple[list[Event | None], list[Event]]:
    """One event for each act, as many as can be, and the events that are left over.

    Taking events in order of time and giving each to the open act whose window ends first finds the most
    pairs (earliest deadline first). The kind must be the same.
    """
    spans = sorted(
        (act.time_s - window.before_s - 1e-9, act.time_s + window.after_s + 1e-9, index)
        for index, act in enumerate(acts)
        for window in (window_of(act, reaction),)
    )
    answers: list[Event | None] = [None] * len(acts)
    left: list[Event] = []
    waiting: list[tuple[float, int]] = []  # end of the window, act
    begun = 0
    for event in sorted(events, key=lambda item: item.onset):
        while begun < len(spans) and spans[begun][0] <= event.onset:
            waiting.append(spans[begun][1:])
            begun += 1
        waiting = sorted(span for span in waiting if span[0] >= event.onset)
        fits = next((span for span in waiting if acts[span[1]].kind == event.kind), None)
        if fits is None:
            left.append(event)
        else:
            answers[fits[1]] = event
            waiting.remove(fits)
    return answers, left


def judge(
    settings: Mapping[str, Any], events: Iterable[Event], labels: Labels, reaction: Reaction | None
) -> Trial:
    """Pair events with the firm acts; what is left is false unless another act or a pause explains it."""
    answers, left = pair(labels.firm, list(events), reaction)
    others = [act for act in labels.acts if not act.is_firm]
    spans = []
    for act in others:
        window = window_of(act, reaction)
        extra_s = 1.0 if act.strength == "twice" else 0.0
        spans.append((act.time_s - window.before_s, act.time_s + window.after_s + extra_s, act.kind))
    false = [
        event
        for event in left
        if labels.counts_at(event.onset)
        and not any(start <= event.onset <= end and kind == event.kind for start, end, kind in spans)
    ]
    return Trial(dict(settings), tuple(answers), tuple(false))


def chance_of(trial: Trial, labels: Labels, reaction: Reaction | None) -> float:
    """Probability that events which know nothing of the acts would have answered as many.

    Such events come at the rate of those that answered none (one added), so an act is answered with
    1 - exp(-rate * window), and the number answered is binomial.
    """
    from scipy.special import bdtrc

    windows = [window_of(act, reaction) for act in labels.firm]
    width_s = sum(window.before_s + window.after_s for window in windows) / len(windows)
    free_s = max(1.0, 60 * labels.minutes - width_s * len(windows))
    per_s = (len(trial.false) + 1) / free_s
    by_chance = 1 - math.exp(-per_s * width_s)
    return float(bdtrc(trial.hits - 1, len(windows), by_chance)) if trial.hits else 1.0


def reaction_of(acts: Sequence[Act], events: Sequence[Event], strength: str) -> Reaction | None:
    """The person's own reaction time: to each cue the strongest event that follows it, then the median.

    ``strength`` names the event's value that says how strong it was. None when nothing followed any cue.
    """
    delays = []
    for act in acts:
        following = [
            event
            for event in events
            if event.kind == act.kind and 0.05 <= event.onset - act.time_s <= LONGEST_REACTION_S
        ]
        if following:
            best = max(following, key=lambda event: abs(event.values.get(strength, 0.0)))
            delays.append(best.onset - act.time_s)
    if not delays:
        return None
    median_s = float(np.median(delays))
    spread_s = 1.4826 * float(np.median(np.abs(np.asarray(delays) - median_s)))
    return Reaction(median_s, spread_s, len(delays))
