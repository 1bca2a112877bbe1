"""A person's settings beside the detector's own, on acts and minutes that the settings were not made from.

A fit may learn anything from the labelled signal: here it has to show on pieces of time that it did not see
whether that helps. Where it does not, the detector's own settings stay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeAlias

import numpy as np

from bridge.calibration.choice import Cost, Held, edges
from bridge.calibration.labels import LabelError, Labels, Stretch
from bridge.calibration.trials import Trial

FOLDS = 5

Settings: TypeAlias = Mapping[str, Any]
Propose: TypeAlias = Callable[[Labels], Settings]
"""Settings from labels, which may be a part of all. Raises LabelError where they do not carry any."""
Judged: TypeAlias = Callable[[Settings], Trial]
"""The real detector with these settings, judged on all labels."""


@dataclass(frozen=True, slots=True)
class Fold:
    """``held`` is judged, ``training`` is learnt from; both are lists of pieces of time."""

    held: tuple[Stretch, ...]
    training: tuple[Stretch, ...]


def folds(labels: Labels, count: int = FOLDS) -> tuple[Fold, ...]:
    """Time cut half way between acts (and every 10 s), the pieces dealt out to ``count`` folds in turn.

    No more folds than there are firm acts, at least two.
    """
    pieces = [Stretch(low, high, "") for low, high in pairwise(edges(labels))]
    number = min(count, max(2, len(labels.firm)))
    dealt = [tuple(pieces[fold::number]) for fold in range(number)]
    return tuple(
        Fold(held, tuple(piece for other in dealt if other is not held for piece in other)) for held in dealt
    )


def counted(trial: Trial, labels: Labels, spans: Sequence[Stretch]) -> Held:
    """What a trial found and what came unasked in these pieces of time."""
    acts = [
        answer is not None
        for act, answer in zip(labels.firm, trial.answers, strict=True)
        if any(act.time_s in span for span in spans)
    ]
    false = sum(any(event.onset in span for span in spans) for event in trial.false)
    return Held(sum(acts), len(acts), false, labels.only(spans).minutes)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Fold by fold: settings that were made from the other folds, and the detector's own."""

    fitted: tuple[Held, ...]
    default: tuple[Held, ...]

    def gain(self, cost: Cost) -> tuple[float, float]:
        """What the fitted settings save of the cost a minute, and the standard error of that over folds."""
        each = np.array(
            [
                cost.ratio * (own.false - fitted.false) / max(fitted.minutes, 1e-9)
                + cost.acts_per_minute * ((fitted.hits - own.hits) / fitted.acts if fitted.acts else 0.0)
                for fitted, own in zip(self.fitted, self.default, strict=True)
            ]
        )
        error = float(each.std(ddof=1)) / math.sqrt(len(each)) if len(each) > 1 else math.inf
        return float(each.mean()), error

    def helps(self, cost: Cost) -> bool:
        """Is the gain beyond one standard error (the rule of Breiman et al. 1984, from memory)?

        Folds are paired, so what both miss weighs nothing.
        """
        gain, error = self.gain(cost)
        return gain > 0 and gain >= error


def pooled(parts: Sequence[Held]) -> Held:
    return Held(
        sum(part.hits for part in parts),
        sum(part.acts for part in parts),
        sum(part.false for part in parts),
        sum(part.minutes for part in parts),
    )


def compare(propose: Propose, judged: Judged, labels: Labels, count: int = FOLDS) -> Comparison:
    """Make settings anew for each fold from all others, and judge them and the detector's own on it.

    Where the other folds alone carry no settings, the detector's own are what the person would have.
    """
    own = judged({})
    fitted, default = [], []
    for fold in folds(labels, count):
        try:
            settings = propose(labels.only(fold.training))
        except LabelError:
            settings = {}
        fitted.append(counted(judged(settings), labels, fold.held))
        default.append(counted(own, labels, fold.held))
    return Comparison(tuple(fitted), tuple(default))


def no_gain(comparison: Comparison) -> str:
    """What the profile says where the detector's own settings stay."""
    fitted, own = pooled(comparison.fitted), pooled(comparison.default)
    return (
        "a fit brings nothing here: on what it had not seen it found "
        f"{fitted.hits} of {fitted.acts} acts with {fitted.false} false activations, the detector's own "
        f"settings {own.hits} with {own.false}; those stay"
    )
