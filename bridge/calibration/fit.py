"""From a labelled signal to a person's settings, and to what can honestly be expected of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from bridge.calibration.choice import Cost, Held, Table, choose, cross_validated, in_fold, table
from bridge.calibration.evidence import Counts, Evidence, Fitted, Prediction, Trace
from bridge.calibration.heart import fit_heartbeat
from bridge.calibration.held_out import Comparison, no_gain, pooled
from bridge.calibration.labels import LabelError, Labels
from bridge.calibration.proposal import cannot_tell, proposals
from bridge.calibration.rhythm import fit_alpha
from bridge.calibration.separation import area_under_curve, d_prime
from bridge.calibration.trials import Run, Runner, Trial, chance_of, judge, pair
from bridge.calibration.tuning import SCALES, TUNINGS, Ladder, Measured, Tuning, starts
from bridge.calibration.vocabulary import EVERYDAY
from bridge.signals.types import Event

LEAST_ACTS = 10
LEAST_FEW = 3
FINER = 6  # more values round the best one
# A person's pace in use is unknown after a guided session; six deliberate acts a minute is assumed.
USE_PER_MINUTE = 6.0
DEFAULT_RATIO = 3.0
_CHANCE = 0.001
_TRACE_BEFORE_S = 0.5
_TRACE_AFTER_S = 1.0
_TRACE_STEP_S = 0.02
_TRACES = 40

Progress = Callable[[float], None]


class Fit(Protocol):
    """How one detector is fitted; the arguments are those of ``fit``, which it may pass over."""

    def __call__(
        self,
        run: Runner,
        labels: Labels,
        *,
        unit: str = "",
        ratio: float = DEFAULT_RATIO,
        few: bool = False,
        progress: Progress | None = None,
    ) -> Fitted: ...


def fit(
    detector: str,
    run: Runner,
    labels: Labels,
    *,
    unit: str = "",
    ratio: float = DEFAULT_RATIO,
    few: bool = False,
    progress: Progress | None = None,
) -> Fitted:
    """Fit one detector. ``run`` runs the real detector with given settings over the labelled signal.

    ``ratio``: how many misses one false activation is worth. ``few`` allows fewer than ten acts a kind, and
    the evidence says so. ``progress`` is told the share done. Raises LabelError when the labels or the signal
    do not carry a fit.
    """
    if detector in FITS:
        return FITS[detector](run, labels, unit=unit, ratio=ratio, few=few, progress=progress)
    if detector not in TUNINGS:
        listed = ", ".join((*TUNINGS, *FITS))
        raise LabelError(f"there is no calibration for {detector!r}; there is for: {listed}")
    return _fit_ladder(TUNINGS[detector], run, labels.commands(), unit, ratio, few, progress)


# Detectors with a fit of their own; the others are fitted by a ladder of settings (``tuning``).
FITS: dict[str, Fit] = {"heartbeat": fit_heartbeat, "alpha": fit_alpha}


def _fit_ladder(
    tuning: Tuning,
    run: Runner,
    labels: Labels,
    unit: str,
    ratio: float,
    few: bool,
    progress: Progress | None,
) -> Fitted:
    """Measure the person, try the values of each ladder with the real detector, take the cheapest."""
    detector = tuning.detector
    scarce = enough(labels, few)
    measured = tuning.measure(run, labels, unit)
    reaction = measured.reaction
    asked = judge({}, measured.lenient, labels, measured.reaction)
    if not measured.is_certain and chance_of(asked, labels, measured.reaction) > _CHANCE:
        raise LabelError(
            f"{asked.hits} of {len(asked.answers)} acts were answered, as many as chance would: what was "
            "done does not follow the cues; they are of another recording, in a wrong order, or nobody acted"
        )
    if reaction is not None and any(a.source == "asked" for a in labels.firm) and not reaction.is_regular:
        raise LabelError(
            f"what was done came {reaction.median_s:.2f} s after the cues, spread {reaction.spread_s:.2f} s: "
            "too irregular to be an answer; the cues are of another recording, or repeat the step"
        )
    judged = _Judge(run, labels, measured, tuning.acts, progress)
    default = judged({})
    pace = USE_PER_MINUTE if labels.session else len(labels.firm) / labels.minutes
    cost = Cost(ratio, pace)
    tried = [_climb(ladder, judged, labels, cost) for ladder in measured.ladders]
    chosen = _best([_choose(ladder, trials, labels, cost) for ladder, trials in tried], cost)
    plain = table([default], labels, [1.0])
    own = tuple(in_fold(plain, 0, fold) for fold in range(len(chosen.folds)))
    comparison = Comparison(chosen.folds, own)
    warnings = [*scarce, *measured.warnings]
    settings, trial, held = dict(chosen.ladder.at(chosen.value)), chosen.trial, chosen.held
    if not comparison.helps(cost):
        settings = {name: value for name, value in measured.settings.items() if name in SCALES}
        trial, held = judged(settings), pooled(own)
        warnings.append(no_gain(comparison))
    acts, others = _sizes(measured, asked)
    final = run(settings)
    evidence = Evidence(
        counts=Counts(
            acts=_by_kind(labels),
            found=trial.hits,
            others=len(others),
            minutes=labels.minutes,
            rest_s=float(sum(s.seconds for s in labels.named("rest"))),
            everyday_s=float(sum(s.seconds for s in labels.named("", *EVERYDAY) if s.name != "rest")),
        ),
        d_prime=d_prime(np.log(acts), np.log(others)) if acts and others else None,
        area=area_under_curve(acts, others),
        prediction=Prediction(held.hits, held.acts, held.false, held.minutes),
        default=Prediction(default.hits, len(default.answers), len(default.false), labels.minutes),
        verified=_verified(final, labels, measured, tuning.acts),
        latency_s=_latency(trial),
        reaction=measured.reaction,
        ratio=ratio,
        setting=chosen.ladder.setting,
        unit=measured.unit,
        threshold=_drawn(chosen.ladder, settings, measured),
        acts_sizes=tuple(acts),
        other_sizes=tuple(others),
        curve=_curve(chosen.ladder, chosen.table),
        trace=_trace(final, trial, labels),
        levels=dict(measured.details),
        proposals=(),
        few=bool(scarce),
        warnings=tuple(warnings),
    )
    if cannot_tell(evidence, pace):
        evidence = proposals(detector, evidence, tried, judged.events, labels, measured)
    return Fitted(detector, settings, evidence)


def enough(labels: Labels, few: bool) -> list[str]:
    """A warning where acts are few but allowed. Raises LabelError where they are too few."""
    if not labels.firm:
        raise LabelError("no label names an act of this detector: was another reference meant?")
    counts = _by_kind(labels)
    least = min(counts.values())
    # Acts in the learning time or under a bad signal were done too, though no detector need find them.
    excused = sum(act.is_excused for act in labels.acts)
    if least >= LEAST_ACTS or (least + excused >= LEAST_ACTS and least >= LEAST_FEW and len(counts) == 1):
        return []
    listed = ", ".join(f"{count} {name}" for name, count in counts.items())
    if not few:
        raise LabelError(f"a fit needs {LEAST_ACTS} acts of a kind, here are {listed}; --few allows fewer")
    if least < LEAST_FEW:
        raise LabelError(f"even a rough fit needs {LEAST_FEW} acts of a kind, here are {listed}")
    return [f"rests on few acts: {listed}"]


def _climb(ladder: Ladder, judged: _Judge, labels: Labels, cost: Cost) -> tuple[Ladder, list[Trial]]:
    """Try all values of a ladder; without one of the detector's own to stay near, more round the best."""
    trials = {value: judged(ladder.at(value)) for value in ladder.values}
    if ladder.own is not None:
        return ladder, list(trials.values())
    whole = table(list(trials.values()), labels, ladder.values)
    best = choose(whole, cost, ladder.own, ladder.safe)
    low, high = max(0, best - 1), min(len(ladder.values) - 1, best + 1)
    finer = ladder.finer(ladder.values[low], ladder.values[high], FINER)
    trials |= {value: judged(finer.at(value)) for value in finer.values if value not in trials}
    return finer, [trials[value] for value in finer.values]


@dataclass(frozen=True, slots=True)
class _Chosen:
    ladder: Ladder
    value: float
    trial: Trial
    folds: tuple[Held, ...]
    cost: float
    table: Table

    @property
    def held(self) -> Held:
        return pooled(self.folds)


def _choose(ladder: Ladder, trials: Sequence[Trial], labels: Labels, cost: Cost) -> _Chosen:
    whole = table(trials, labels, ladder.values)
    held = cross_validated(whole, cost, ladder.own, ladder.safe)
    rung = choose(whole, cost, ladder.own, ladder.safe)
    value = float(whole.values[rung])
    return _Chosen(ladder, value, trials[rung], held, _cost_of(pooled(held), cost), whole)


def _best(options: Sequence[_Chosen], cost: Cost) -> _Chosen:
    """The preferred one, unless another is better by more than its standard error."""
    best = options[0]
    for option in options[1:]:
        if option.cost < best.cost - cost.error(best.held):
            best = option
    return best


def _cost_of(held: Held, cost: Cost) -> float:
    return cost.per_minute(held.hits / held.acts, held.false / held.minutes)


class _Judge:
    """Runs the detector with settings and judges what it found; tells how far it is."""

    def __init__(
        self, run: Runner, labels: Labels, measured: Measured, kinds: Sequence[str], progress: Progress | None
    ) -> None:
        self._run, self._labels, self._measured, self._kinds = run, labels, measured, kinds
        self._progress = progress
        self._total = 2 + sum(
            len(ladder.values) + (FINER if ladder.own is None else 0) for ladder in measured.ladders
        )
        self._known: dict[tuple[tuple[str, Any], ...], list[Event]] = {}

    def __call__(self, settings: Mapping[str, Any]) -> Trial:
        return judge(settings, self.events(settings), self._labels, self._measured.reaction)

    def events(self, settings: Mapping[str, Any]) -> Sequence[Event]:
        """What counts as an act with these settings; no settings are run twice."""
        key = tuple(sorted(settings.items()))
        if key not in self._known:
            found = starts(self._run(settings), self._kinds)
            self._known[key] = [event for event in found if self._measured.counts(event)]
            if self._progress is not None:
                self._progress(min(1.0, len(self._known) / self._total))
        return self._known[key]


def _by_kind(labels: Labels) -> dict[str, int]:
    counts: dict[str, int] = {}
    for act in labels.firm:
        name = f"{act.kind} {act.strength}".strip()
        counts[name] = counts.get(name, 0) + 1
    return counts


def _sizes(measured: Measured, trial: Trial) -> tuple[list[float], list[float]]:
    """Sizes of the acts, and of everything else that looks like one."""
    acts = [abs(answer.values[measured.size]) for answer in trial.answers if answer is not None]
    others = [abs(event.values[measured.size]) for event in trial.false]
    return [size for size in acts if size > 0], [size for size in others if size > 0]


def _verified(run: Run, labels: Labels, measured: Measured, kinds: Sequence[str]) -> tuple[int, int] | None:
    """Found and asked in the step that came after; the fit has not seen its acts."""
    asked = [act for act in labels.acts if act.verify]
    if not asked:
        return None
    events = [event for event in starts(run, kinds) if measured.counts(event)]
    answers, _ = pair(asked, events, measured.reaction)
    return sum(answer is not None for answer in answers), len(asked)


def _latency(trial: Trial) -> tuple[float, float] | None:
    """Median and 95 % quantile of decided minus onset."""
    delays = [answer.decided - answer.onset for answer in trial.answers if answer is not None]
    return (float(np.median(delays)), float(np.quantile(delays, 0.95))) if delays else None


def _drawn(ladder: Ladder, settings: dict[str, Any], measured: Measured) -> float | None:
    """The threshold as a size of acts, where it is one."""
    value = settings.get(ladder.setting)
    if value is None or ladder.scale is None:
        return None
    return float(value) * ladder.scale + measured.details.get("rest", 0.0)


def _curve(ladder: Ladder, whole: Table) -> tuple[tuple[float, float, float], ...]:
    """Setting, hit rate, false activations a minute at each rung."""
    return tuple(
        (float(value), float(hit), float(false))
        for value, hit, false in zip(ladder.values, whole.hit_rate(), whole.false_rate(), strict=True)
    )


def _trace(run: Run, trial: Trial, labels: Labels) -> Trace | None:
    """The conditioned signal round the acts, one row each, on a common raster."""
    moments = [
        act.time_s if answer is None or act.source == "seen" else answer.onset
        for act, answer in zip(labels.firm, trial.answers, strict=True)
    ]
    times = np.arange(-_TRACE_BEFORE_S, _TRACE_AFTER_S + 1e-9, _TRACE_STEP_S)
    every = max(1, len(moments) // _TRACES)
    rows = []
    for moment in moments[::every]:
        index = np.round((moment + times) * run.rate_hz).astype(int) - run.first
        if index[0] < 0 or index[-1] >= len(run.conditioned):
            continue
        row = run.conditioned[index]
        if np.isfinite(row).all():
            rows.append(row - np.median(row[times < -0.3]))
    if not rows:
        return None
    return Trace(-_TRACE_BEFORE_S, _TRACE_STEP_S, np.asarray(rows))
