"""What can be set on each detector: measured settings, and a ladder from lenient to strict.

The fit never imitates a detector. It runs the real one at each rung of the ladder and sees what it finds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from bridge.calibration.labels import LabelError, Labels
from bridge.calibration.trials import Reaction, Run, Runner, judge, reaction_of
from bridge.signals.types import Event

_RUNGS = 40
# From a tenth of the person's usual act, where nearly everything passes, to twice it, where nearly nothing does.
_LADDER = tuple(float(x) for x in np.geomspace(0.1, 2.0, _RUNGS))


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of a person before any threshold is chosen.

    ``settings`` are fixed by measurement (polarity, levels). ``rungs`` are whole groups of settings from
    lenient to strict, ``strictness`` their numbers. ``counts``: is an event the act, or only like it?
    ``size`` names the event's value that is drawn, in ``unit``.
    """

    settings: Mapping[str, Any]
    rungs: Sequence[Mapping[str, Any]]
    strictness: Sequence[float]
    setting: str
    unit: str
    size: str
    lenient: Sequence[Event]
    counts: Callable[[Event], bool]
    reaction: Reaction | None
    warnings: tuple[str, ...] = ()
    details: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tuning:
    """How a detector is fitted: the event kinds that are acts, and how to measure."""

    detector: str
    acts: tuple[str, ...]
    measure: Callable[[Runner, Labels, str], Measured]


def starts(run: Run, kinds: Sequence[str]) -> list[Event]:
    """Instants and starts of these kinds."""
    return [event for event in run.events if event.kind in kinds and event.edge != "end"]


def answered(labels: Labels, events: Sequence[Event], reaction: Reaction | None) -> list[Event]:
    trial = judge({}, events, labels, reaction)
    return [answer for answer in trial.answers if answer is not None]


def _always(event: Event) -> bool:
    return True


def _deliberate(event: Event) -> bool:
    return event.values.get("deliberate", 0.0) >= 0.5


def _measure_blink(run: Runner, labels: Labels, unit: str) -> Measured:
    """Polarity by which way the acts are larger; then the height, of blinks or of deliberate ones."""
    tried = {}
    for polarity in ("positive", "negative"):
        events = starts(run({"polarity": polarity, "threshold": 1e-9}), ["blink"])
        reaction = reaction_of([a for a in labels.firm if a.source == "asked"], events, "amplitude")
        found = answered(labels, events, reaction)
        tried[polarity] = (sum(e.values["amplitude"] for e in found), events, reaction, found)
    polarity = max(tried, key=lambda name: tried[name][0])
    _, events, reaction, found = tried[polarity]
    need(len(found), labels, "blink")
    usual = float(np.median([event.values["amplitude"] for event in found]))
    heights = [usual * share for share in _LADDER]
    deliberate = labels.session or any(act.strength == "deliberate" for act in labels.acts)
    setting = "deliberate_threshold" if deliberate else "threshold"
    rungs = [{"polarity": polarity, setting: height} for height in heights]
    return Measured(
        settings={"polarity": polarity},
        rungs=rungs,
        strictness=heights,
        setting=setting,
        unit=unit,
        size="amplitude",
        lenient=events,
        counts=_deliberate if deliberate else _always,
        reaction=reaction,
    )


_AXES = {"horizontal": ("gaze-left", "gaze-right"), "vertical": ("gaze-up", "gaze-down")}
# Where as many acts fit the labels one way round as the other, the labels and the eyes have nothing to do
# with each other.
_CLEARLY = 1.5


def _measure_gaze(run: Runner, labels: Labels, unit: str) -> Measured:
    """Polarity of each axis by which way round the labels fit; then the height of a shift."""
    axes = {axis: kinds for axis, kinds in _AXES.items() if any(act.kind in kinds for act in labels.firm)}
    fixed: dict[str, Any] = {}
    reaction: Reaction | None = None
    usual: dict[str, float] = {}
    for axis, kinds in axes.items():
        own = replace(labels, acts=tuple(act for act in labels.acts if act.kind in kinds))
        tried = {}
        for polarity in (1, -1):
            events = starts(run({f"{axis}_polarity": polarity}), kinds)
            delay = reaction_of([a for a in own.firm if a.source == "asked"], events, "amplitude")
            tried[polarity] = (answered(own, events, delay), delay)
        straight, inverted = len(tried[1][0]), len(tried[-1][0])
        polarity = 1 if straight >= inverted else -1
        found, reaction = tried[polarity]
        need(len(found), own, "gaze")
        if max(straight, inverted) < _CLEARLY * min(straight, inverted):
            raise LabelError(
                f"of {len(own.firm)} cues {straight} were followed by a shift the right way and {inverted} by one "
                "the other way: the cues are in a wrong order or belong to another recording"
            )
        fixed[f"{axis}_polarity"] = polarity
        usual[axis] = float(np.median([abs(event.values["amplitude"]) for event in found]))
    kinds_used = [kind for kinds in axes.values() for kind in kinds]
    rungs = [fixed | {f"{axis}_threshold": usual[axis] * share for axis in usual} for share in _LADDER]
    main = next(iter(usual))
    lenient = starts(run(fixed | {f"{axis}_threshold": 0.25 * usual[axis] for axis in usual}), kinds_used)
    return Measured(
        settings=fixed,
        rungs=rungs,
        strictness=[usual[main] * share for share in _LADDER],
        setting=f"{main}_threshold",
        unit=unit,
        size="amplitude",
        lenient=lenient,
        counts=_always,
        reaction=reaction,
    )


_ON_FRACTIONS = tuple(float(x) for x in np.geomspace(0.05, 0.9, 30))
_OFF_SHARE = 0.43  # the detector's own ratio of its two fractions, 0.13 to 0.3


def _measure_contraction(run: Runner, labels: Labels, unit: str) -> Measured:
    """Rest, the usual contraction and the maximum as amplitudes of the detector's own signal."""
    first = run({})
    events = starts(first, ["contraction"])
    reaction = reaction_of(labels.firm, events, "amplitude")
    found = answered(labels, events, reaction)
    need(len(found), labels, "contraction")
    peaks = []
    rests = []
    delay_s = reaction.median_s if reaction else 0.0
    for act, following in zip(labels.firm, [*labels.firm[1:], None], strict=True):
        start_s = act.time_s + delay_s
        held = first.between(start_s, start_s + max(act.duration_s, 1.0))
        if held.size:
            peaks.append(float(np.quantile(held, 0.9)))
        end_s = following.time_s if following is not None else act.time_s + 2 * act.duration_s
        after = first.between(start_s + act.duration_s + 1.0, end_s)
        if after.size:
            rests.append(float(np.median(after)))
    quiet = [float(np.median(part)) for s in labels.named("rest") if (part := first.between(s.start_s, s.end_s)).size]
    rest = float(np.median(quiet or rests)) if quiet or rests else 0.0
    usual = float(np.median(peaks)) if peaks else 0.0
    if not 0 < rest < usual:
        raise LabelError(
            "the muscle is no stronger during the contractions than at rest: electrodes off the muscle, or the "
            "labels belong to another recording"
        )
    maxima = [
        float(np.quantile(part, 0.95))
        for act in labels.acts
        if act.strength == "maximum"
        and (part := first.between(act.time_s + delay_s, act.time_s + delay_s + act.duration_s)).size
    ]
    fixed: dict[str, Any] = {"rest": rest, "usual": usual}
    warnings = []
    if maxima:
        fixed["mvc"] = max(maxima)
    else:
        warnings.append("no maximum voluntary contraction was recorded: the level has no scale of its own")
    rungs = [{**fixed, "on_fraction": on, "off_fraction": on * _OFF_SHARE} for on in _ON_FRACTIONS]
    return Measured(
        settings=fixed,
        rungs=rungs,
        strictness=_ON_FRACTIONS,
        setting="on_fraction",
        unit="of the way from rest to a usual contraction",
        size="amplitude",
        lenient=events,
        counts=_always,
        reaction=reaction,
        warnings=tuple(warnings),
        details={"rest": rest, "usual": usual} | ({"mvc": max(maxima)} if maxima else {}),
    )


def need(found: int, labels: Labels, what: str) -> None:
    """Raises LabelError when hardly any act left a trace in the signal."""
    asked = len(labels.firm)
    if found < max(3, 0.3 * asked):
        raise LabelError(
            f"only {found} of {asked} cued acts ({what}) left a trace in the signal: nobody acted, the "
            "cues belong to another recording, or the electrodes are off"
        )


TUNINGS: dict[str, Tuning] = {
    "blink": Tuning("blink", ("blink",), _measure_blink),
    "gaze": Tuning("gaze", ("gaze-left", "gaze-right", "gaze-up", "gaze-down"), _measure_gaze),
    "contraction": Tuning("contraction", ("contraction",), _measure_contraction),
}
