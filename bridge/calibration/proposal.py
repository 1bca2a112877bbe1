"""When one act cannot be told from everyday ones: what the person can do instead.

Two in a row within a time, a longer one, or a firmer one, each with figures from the same recording. A false
activation then needs two everyday acts close together, which is counted, not reckoned.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, TypeAlias

import numpy as np

from bridge.calibration.choice import cheapest, smoothed
from bridge.calibration.evidence import Evidence, Prediction, Proposal
from bridge.calibration.labels import Act, Labels
from bridge.calibration.trials import Reaction, Trial, judge, window_of
from bridge.calibration.tuning import Ladder, Measured
from bridge.signals.types import Event

# Beyond these a user will not trust a single act (common practice: accidental presses must vanish): one false
# activation to twelve acts, which is one in two minutes at six acts a minute.
_LEAST_HIT_RATE = 0.8
_MOST_FALSE = 1 / 12
# Without acts done twice in the session: the second one begins when the first has ended, and lasts as long.
_WITHIN_PER_DURATION = 2.5
_SHORTEST_WITHIN_S = 0.5
_LONGEST_WITHIN_S = 1.5
_LONGER_MS = (200.0, 300.0, 400.0, 600.0, 800.0)

Found: TypeAlias = Callable[[Mapping[str, Any]], Sequence[Event]]
Tried: TypeAlias = Sequence[tuple[Ladder, Sequence[Trial]]]


def cannot_tell(evidence: Evidence, acts_per_minute: float) -> bool:
    """Is a single act too hard to tell from everything else?"""
    prediction = evidence.prediction
    most = _MOST_FALSE * acts_per_minute
    return prediction.hit_rate < _LEAST_HIT_RATE or prediction.false_per_minute > most


def proposals(
    detector: str,
    evidence: Evidence,
    tried: Tried,
    found: Found,
    labels: Labels,
    measured: Measured,
) -> Evidence:
    """The evidence with a plain warning and the alternatives that do better, the best first."""
    options: list[Proposal] = []
    if detector != "gaze":  # looking back ends the first shift, so two in a row the same way cannot be done
        options.append(_twice(detector, tried, found, labels, measured, evidence.ratio))
    if detector == "contraction":
        options.extend(_longer(tried, found, labels, measured, evidence.ratio))
    firmer = _firmer(detector, tried, labels, evidence.ratio)
    if firmer is not None:
        options.append(firmer)
    now = _cost(evidence.prediction, evidence.ratio)
    better = sorted(
        (item for item in options if _cost(item.prediction, evidence.ratio) < now),
        key=lambda item: _cost(item.prediction, evidence.ratio),
    )
    words = (
        f"one act cannot be told well enough from everyday ones: {evidence.prediction.hit_rate:.0%} found, "
        f"{evidence.prediction.false_per_minute:.1f} false activations a minute"
    )
    if not better:
        words += "; nothing that was tried does better: move the electrodes, or choose another act"
    return replace(evidence, proposals=tuple(better), warnings=(*evidence.warnings, words))


def _cost(prediction: Prediction, ratio: float) -> float:
    return ratio * prediction.false_per_minute + 6.0 * (1 - prediction.hit_rate)


def pairs_within(onsets: Sequence[float], within_s: float) -> int:
    """How often a rule "two within a time" fires: each event counts once."""
    count, last = 0, None
    for onset in sorted(onsets):
        if last is not None and onset - last <= within_s:
            count, last = count + 1, None
        else:
            last = onset
    return count


def _twice(
    detector: str,
    tried: Tried,
    found: Found,
    labels: Labels,
    measured: Measured,
    ratio: float,
) -> Proposal:
    """Two in a row: measured on the step where it was asked for, else reckoned from single acts."""
    asked = [act for act in labels.acts if act.strength == "twice"]
    within_s = _within_asked(asked, measured) if asked else _within_assumed(tried)
    best: tuple[float, Proposal] | None = None
    for ladder, trials in tried:
        options: list[tuple[float, Proposal]] = []
        for value, trial in zip(ladder.values, trials, strict=True):
            false = pairs_within([event.onset for event in trial.false], within_s)
            if asked:
                hits = _done_twice(asked, found(ladder.at(value)), within_s, measured.reaction)
                acts = len(asked)
            else:
                acts = len(trial.answers)
                hits = round(acts * (trial.hits / acts) ** 2)
            prediction = Prediction(hits, acts, false, labels.minutes)
            settings = {ladder.setting: value}
            words = f"two {detector}s in a row within {within_s * 1000:.0f} ms"
            assumed = "" if asked else "each of the two is found as often as a single one"
            proposal = Proposal("twice", words, settings, within_s, prediction, assumed)
            options.append((_cost(prediction, ratio), proposal))
        raw = np.array([cost for cost, _ in options])
        chosen = options[cheapest(np.asarray(ladder.values), smoothed(raw, np.asarray(ladder.values)))]
        if best is None or chosen[0] < best[0] - 1e-9:
            best = chosen
    assert best is not None
    return best[1]


def _within_asked(asked: Sequence[Act], measured: Measured) -> float:
    """The time between the two that holds 95 % of this person's, and a sixth more."""
    gaps = []
    for act in asked:
        window = window_of(act, measured.reaction)
        near = sorted(
            event.onset
            for event in measured.lenient
            if act.time_s - window.before_s <= event.onset <= act.time_s + window.after_s + 1.0
        )
        if len(near) >= 2:
            gaps.append(min(b - a for a, b in pairwise(near)))
    if not gaps:
        return _LONGEST_WITHIN_S
    return float(np.clip(1.15 * np.quantile(gaps, 0.95), _SHORTEST_WITHIN_S, _LONGEST_WITHIN_S))


def _within_assumed(tried: Tried) -> float:
    durations = [
        answer.values["duration"]
        for _, trials in tried
        for trial in trials
        for answer in trial.answers
        if answer is not None and "duration" in answer.values
    ]
    usual = float(np.median(durations)) if durations else 0.3
    return float(np.clip(_WITHIN_PER_DURATION * usual, _SHORTEST_WITHIN_S, _LONGEST_WITHIN_S))


def _done_twice(
    asked: Sequence[Act], events: Sequence[Event], within_s: float, reaction: Reaction | None
) -> int:
    hits = 0
    for act in asked:
        window = window_of(act, reaction)
        near = [
            event.onset
            for event in events
            if act.time_s - window.before_s <= event.onset <= act.time_s + window.after_s + 1.0
        ]
        hits += pairs_within(near, within_s) > 0
    return hits


def _longer(tried: Tried, found: Found, labels: Labels, measured: Measured, ratio: float) -> list[Proposal]:
    """A contraction held for longer: the detector itself is asked with each least duration."""
    ladder, trials = tried[0]
    best = min(
        range(len(trials)),
        key=lambda i: _cost(
            Prediction(trials[i].hits, len(trials[i].answers), len(trials[i].false), labels.minutes), ratio
        ),
    )
    options = []
    for shortest_ms in _LONGER_MS:
        settings = dict(ladder.at(ladder.values[best])) | {"shortest_ms": shortest_ms}
        trial = judge(settings, found(settings), labels, measured.reaction)
        options.append(
            Proposal(
                "longer",
                f"hold the contraction for at least {shortest_ms:.0f} ms",
                {ladder.setting: ladder.values[best], "shortest_ms": shortest_ms},
                None,
                Prediction(trial.hits, len(trial.answers), len(trial.false), labels.minutes),
            )
        )
    return [min(options, key=lambda item: _cost(item.prediction, ratio))]


def _firmer(detector: str, tried: Tried, labels: Labels, ratio: float) -> Proposal | None:
    """Only the strong acts, where some were asked for; else none can be promised."""
    strong = [index for index, act in enumerate(labels.firm) if act.strength == "strong"]
    if detector != "contraction" or len(strong) < 3:
        return None
    ladder, trials = tried[0]
    options = []
    for value, trial in zip(ladder.values, trials, strict=True):
        hits = sum(trial.answers[index] is not None for index in strong)
        prediction = Prediction(hits, len(strong), len(trial.false), labels.minutes)
        settings = {ladder.setting: value}
        options.append(Proposal("firmer", "only firm contractions", settings, None, prediction))
    return min(options, key=lambda item: _cost(item.prediction, ratio))
