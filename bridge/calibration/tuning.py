"""What can be set on each detector: measured settings, and a ladder from lenient to strict.

The fit never imitates a detector. It runs the real one at each rung of the ladder and sees what it finds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from bridge.calibration.blink_fit import measure
from bridge.calibration.labels import Act, LabelError, Labels
from bridge.calibration.muscle_fit import SHORTEST_S
from bridge.calibration.muscle_fit import measure as measure_efforts
from bridge.calibration.separation import area_under_curve
from bridge.calibration.trials import Reaction, Run, Runner, judge, reaction_of
from bridge.signals.types import Event

# What a level is measured against; it changes no event, so it stays where thresholds are the detector's own.
SCALES = ("mvc",)
# From an eighth of the person's usual act, where nearly everything passes, to beyond it.
_LADDER = tuple(float(x) for x in np.geomspace(0.125, 1.6, 20))
# Factors on thresholds that adapt to the person and the noise by themselves; 1 is the detector's own.
_LEAST_SPREAD, _WIDEST_SPREAD = 0.15, 0.4  # of an act's size, natural logarithm
_FACTORS = (0.6, 0.7, 0.85, 1.0, 1.2, 1.4, 1.7)
_STRICT = (0.4, 0.55, 0.7, 0.85, 1.0, 1.2, 1.5, 1.9, 2.5)


@dataclass(frozen=True, slots=True)
class Ladder:
    """One setting from lenient to strict, in ``values``; ``at`` gives the whole group of settings for one.

    ``own`` is the detector's own value, where it has one; ``safe`` the value to take when nothing that was
    seen bounds it from below. ``scale`` turns values into sizes of acts, for the
    pictures; None where they are no sizes.
    """

    setting: str
    values: Sequence[float]
    at: Callable[[float], Mapping[str, Any]]
    own: float | None = None
    safe: float | None = None
    scale: float | None = None

    def finer(self, low: float, high: float, count: int) -> Ladder:
        """With ``count`` more values between two."""
        more = np.geomspace(low, high, count + 2)[1:-1].tolist()
        return replace(self, values=sorted({*self.values, *more}))


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of a person before any threshold is chosen.

    ``settings`` are fixed by measurement (polarity, levels). ``ladders`` are the ways to be strict, the
    preferred one first. ``counts``: is an event the act, or only like it? ``size`` names the event's value
    that is drawn, in ``unit``; ``lenient`` are the events of all sizes. ``is_certain``: the signal itself has
    shown that the acts were done.
    """

    settings: Mapping[str, Any]
    ladders: Sequence[Ladder]
    unit: str
    size: str
    lenient: Sequence[Event]
    counts: Callable[[Event], bool]
    reaction: Reaction | None
    is_certain: bool = False
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


def _always(_: Event) -> bool:
    return True


def _deliberate(event: Event) -> bool:
    return event.values.get("deliberate", 0.0) >= 0.5


def _safe(sizes: Sequence[float]) -> float:
    """Three spreads below the usual act, where hardly any is smaller, and one more for another day.

    Spreads of the logarithm: 1.4826 times the median deviation, kept within what people show.
    """
    logs = np.log(sizes)
    middle = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - middle)))
    return float(np.exp(middle - 4 * min(_WIDEST_SPREAD, max(_LEAST_SPREAD, spread))))


# How a deliberate blink may differ from a spontaneous one, by what an event tells of it.
_WAYS: dict[str, Callable[[Event], float]] = {
    "height": lambda event: event.values["amplitude"],
    "width": lambda event: event.values["duration"],
    "speed": lambda event: event.values["amplitude"] / event.values["duration"],
}
# Another way than height is tried where its area under the curve is so much larger.
_CLEARER = 0.02


def _measure_blink(run: Runner, labels: Labels, unit: str) -> Measured:
    """What differs between people and amplifiers from the signal, then how strict to be.

    Where blinks were asked for their times are not known before the person's reaction is; then which way
    they point is told by which way they are larger.
    """
    is_for_commands = labels.session or labels.for_commands
    seen = [act for act in labels.firm if act.source == "seen"]
    fixed: dict[str, Any] = {}
    if seen and not labels.session:
        unsure = [act for act in labels.acts if not act.is_firm and act.source == "seen"]
        fixed = measure(run({}), seen, unsure).settings()
        if is_for_commands:
            fixed = {"polarity": fixed["polarity"]}
        events, reaction, found = _lenient(run, labels, fixed)
    else:
        tried = {
            polarity: _lenient(run, labels, {"polarity": polarity}) for polarity in ("positive", "negative")
        }
        sums = {name: sum(e.values["amplitude"] for e in found) for name, (_, _, found) in tried.items()}
        fixed["polarity"] = max(sums, key=lambda name: sums[name])
        events, reaction, found = tried[fixed["polarity"]]
        need(len(found), labels, "blink")
    if is_for_commands:
        need(len(found), labels, "blink")
        ladders = _deliberate_ladders(labels, events, reaction, found, fixed)
    else:
        ladders = [Ladder("strictness", _STRICT, lambda factor: fixed | {"strictness": factor}, 1.0)]
    return Measured(
        settings=fixed,
        ladders=ladders,
        unit=unit,
        size="amplitude",
        lenient=events,
        counts=_deliberate if is_for_commands else _always,
        reaction=reaction,
        is_certain=bool(seen),
    )


def _lenient(
    run: Runner, labels: Labels, settings: Mapping[str, Any]
) -> tuple[list[Event], Reaction | None, list[Event]]:
    """All pulses of one polarity that could be blinks, the reaction time, and those that answer a label."""
    fixed = {name: value for name, value in settings.items() if name != "height"}
    events = starts(run({**fixed, "threshold": 1e-9}), ["blink"])
    reaction = reaction_of([a for a in labels.firm if a.source == "asked"], events, "amplitude")
    return events, reaction, answered(labels, events, reaction)


def _deliberate_ladders(
    labels: Labels,
    events: Sequence[Event],
    reaction: Reaction | None,
    found: Sequence[Event],
    fixed: Mapping[str, Any],
) -> list[Ladder]:
    """By height, and by width or speed where these tell deliberate blinks more clearly from all others."""
    others = judge({}, events, labels, reaction).false
    ladders: list[Ladder] = []
    clearest = 0.0
    for way, size in _WAYS.items():
        sizes = [size(event) for event in found]
        area = area_under_curve(sizes, [size(event) for event in others]) or 0.0
        if ladders and area < clearest + _CLEARER:
            continue
        clearest = max(clearest, area)
        usual = float(np.median(sizes))
        values = [usual * share for share in _LADDER]
        own = dict(fixed) if way == "height" else {**fixed, "deliberate_by": way}
        scale = 1.0 if way == "height" else None
        ladders.append(Ladder("deliberate_threshold", values, _at_threshold(own), None, _safe(sizes), scale))
    return ladders


def _at_threshold(fixed: Mapping[str, Any]) -> Callable[[float], Mapping[str, Any]]:
    return lambda value: {**fixed, "deliberate_threshold": value}


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
                f"of {len(own.firm)} cues {straight} were followed by a shift the right way and "
                f"{inverted} by one the other way: the cues are in a wrong order or of another recording"
            )
        fixed[f"{axis}_polarity"] = polarity
        usual[axis] = float(np.median([abs(event.values["amplitude"]) for event in found]))
    kinds_used = [kind for kinds in axes.values() for kind in kinds]
    main = next(iter(usual))
    heights = [usual[main] * share for share in _LADDER]

    def at(height: float) -> Mapping[str, Any]:
        return fixed | {f"{axis}_threshold": usual[axis] * height / usual[main] for axis in usual}

    # Glances on cue are of one size, everyday ones mostly smaller: a height tells them apart. Where all
    # shifts are to be found, they come in all sizes, and it is the noise that bounds them; noise changes.
    ladders = [Ladder("strictness", _FACTORS, lambda factor: fixed | {"strictness": factor}, 1.0)]
    if labels.session:
        ladders.insert(0, Ladder(f"{main}_threshold", heights, at, scale=1.0))
    lenient = starts(run(fixed | {f"{axis}_threshold": 0.25 * usual[axis] for axis in usual}), kinds_used)
    return Measured(
        settings=fixed,
        ladders=ladders,
        unit=unit,
        size="amplitude",
        lenient=lenient,
        counts=_always,
        reaction=reaction,
    )


# Factors on the evidence that a start needs; 1 is the detector's own.
_EVIDENCE = tuple(float(2**k) for k in range(-3, 4))


def _measure_contraction(run: Runner, labels: Labels, unit: str) -> Measured:
    """Rest, efforts and which electrodes tell them apart from the signal; then the evidence a start needs.

    Rest and the usual effort are for the person to read: on another day, and after a change of gesture, they
    differ by half, and the detector learns them in seconds.
    """
    muscle = measure_efforts(run.signal, labels)
    whole, some = muscle.whole, muscle.some
    delay_s = whole.reaction.median_s if whole.reaction else 0.0
    maxima = [act for act in labels.acts if act.strength == "maximum"]
    ladders: list[Ladder] = []
    settings: dict[str, Any] = {}
    # A choice of electrodes is preferred: thousands of samples speak for it, and only ten efforts for a rung.
    for efforts in (whole,) if some is None else (some, whole):
        own: dict[str, Any] = {} if efforts.electrodes is None else {"electrodes": efforts.electrodes}
        most = _held(run(own), maxima, delay_s, 0.95) if maxima else []
        own |= {"mvc": max(most)} if most else {}
        ladders.append(Ladder("strictness", _EVIDENCE, _with_strictness(own), 1.0))
        settings = own
    warnings = []
    if "mvc" not in settings:
        warnings.append("no maximum voluntary contraction was recorded: levels have no scale")
    lenient = _with_peaks(run({**settings, "strictness": _EVIDENCE[0]}))
    plain = _with_peaks(run({}))
    counts = [len(answered(labels, events, whole.reaction)) for events in (lenient, plain)]
    return Measured(
        settings=settings,
        ladders=ladders,
        unit=unit,
        size="amplitude",
        lenient=lenient if counts[0] >= counts[1] else plain,
        counts=_always,
        reaction=whole.reaction,
        is_certain=whole.is_certain,
        warnings=tuple(warnings),
        details={
            "rest": float(np.exp(np.median(whole.rests))),
            "usual": float(np.exp(np.median(whole.held))),
            **settings,
            **_by_electrode(muscle.singles),
        },
    )


def _by_electrode(singles: Mapping[str, float]) -> dict[str, float]:
    """How well each electrode tells efforts from rest, for the person to read; nothing where there is one."""
    return (
        {f"{name}: effort from rest, d'": value for name, value in singles.items()}
        if len(singles) > 1
        else {}
    )


def _with_strictness(fixed: Mapping[str, Any]) -> Callable[[float], Mapping[str, Any]]:
    return lambda factor: {**fixed, "strictness": factor}


def _held(run: Run, acts: Sequence[Act], delay_s: float, quantile: float) -> list[float]:
    """Amplitude of each act while it was held."""
    parts = (
        run.between(act.time_s + delay_s, act.time_s + delay_s + max(act.duration_s, SHORTEST_S))
        for act in acts
    )
    return [float(np.quantile(part, quantile)) for part in parts if part.size]


def _with_peaks(run: Run) -> list[Event]:
    """Starts of contractions, each with the peak amplitude that its end tells."""
    found: list[Event] = []
    for event in run.events:
        if event.kind != "contraction":
            continue
        if event.edge == "start":
            found.append(event)
        elif event.edge == "end" and found:
            found[-1] = replace(found[-1], values={**found[-1].values, **event.values})
    return found


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
