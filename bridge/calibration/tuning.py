"""What can be set on each detector: measured settings, and a ladder from lenient to strict.

The fit never imitates a detector. It runs the real one at each rung of the ladder and sees what it finds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from bridge.calibration.labels import Act, LabelError, Labels
from bridge.calibration.trials import Reaction, Run, Runner, judge, reaction_of
from bridge.signals.types import Event

# What a level is measured against; it changes no event, so it stays where thresholds are the detector's own.
SCALES = ("mvc",)
# From an eighth of the person's usual act, where nearly everything passes, to beyond it.
_LADDER = tuple(float(x) for x in np.geomspace(0.125, 1.6, 20))
# Factors on thresholds that adapt to the person and the noise by themselves; 1 is the detector's own.
_LEAST_SPREAD, _WIDEST_SPREAD = 0.15, 0.4  # of an act's size, natural logarithm
_FACTORS = (0.6, 0.7, 0.85, 1.0, 1.2, 1.4, 1.7)


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
    that is drawn, in ``unit``; ``lenient`` are the events of all sizes.
    """

    settings: Mapping[str, Any]
    ladders: Sequence[Ladder]
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
    sizes = [event.values["amplitude"] for event in found]
    usual = float(np.median(sizes))
    heights = [usual * share for share in _LADDER]
    deliberate = labels.session or any(act.strength == "deliberate" for act in labels.acts)
    setting = "deliberate_threshold" if deliberate else "threshold"
    fixed = {"polarity": polarity}
    ladders = [Ladder(setting, heights, lambda height: fixed | {setting: height}, None, _safe(sizes), 1.0)]
    if not deliberate:
        ladders.append(Ladder("strictness", _FACTORS, lambda factor: fixed | {"strictness": factor}, 1.0))
    return Measured(
        settings=fixed,
        ladders=ladders,
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
_EVIDENCE = tuple(float(2 ** (k / 2)) for k in range(-6, 7))


def _measure_contraction(run: Runner, labels: Labels, unit: str) -> Measured:
    """The maximum as an amplitude of the detector's own signal; the evidence that a start needs.

    Rest and the usual contraction are measured too, but for the person to read: on another day, and after a
    change of gesture, they differ by half, and the detector learns them in seconds.
    """
    first = run({})
    events = _with_peaks(first)
    reaction = reaction_of(labels.firm, events, "amplitude")
    found = answered(labels, events, reaction)
    need(len(found), labels, "contraction")
    delay_s = reaction.median_s if reaction else 0.0
    peaks = _held(first, labels.firm, delay_s, 0.9)
    rests = [
        float(np.median(part))
        for act, following in pairwise(labels.firm)
        if (part := first.between(act.time_s + act.duration_s + delay_s + 1.0, following.time_s)).size
    ]
    quiet = [
        float(np.median(part))
        for stretch in labels.named("rest")
        if (part := first.between(stretch.start_s, stretch.end_s)).size
    ]
    rest = float(np.median(quiet or rests or [0.0]))
    usual = float(np.median(peaks or [0.0]))
    if not 0 < rest < usual:
        raise LabelError(
            "the muscle is no stronger during the contractions than at rest: electrodes off the muscle, or "
            "the labels belong to another recording"
        )
    maxima = _held(first, [act for act in labels.acts if act.strength == "maximum"], delay_s, 0.95)
    fixed: dict[str, Any] = {"mvc": max(maxima)} if maxima else {}
    warnings = () if maxima else ("no maximum voluntary contraction was recorded: levels have no scale",)

    def at(factor: float) -> Mapping[str, Any]:
        return fixed | {"strictness": factor}

    lenient = _with_peaks(run(at(_EVIDENCE[0])))
    return Measured(
        settings=fixed,
        ladders=[Ladder("strictness", _EVIDENCE, at, 1.0)],
        unit=unit,
        size="amplitude",
        lenient=lenient if len(answered(labels, lenient, reaction)) >= len(found) else events,
        counts=_always,
        reaction=reaction,
        warnings=warnings,
        details={"rest": rest, "usual": usual, **fixed},
    )


def _held(run: Run, acts: Sequence[Act], delay_s: float, quantile: float) -> list[float]:
    """Amplitude of each act while it was held."""
    parts = (
        run.between(act.time_s + delay_s, act.time_s + delay_s + max(act.duration_s, 1.0)) for act in acts
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
