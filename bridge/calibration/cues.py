"""What the person is asked to do, and when. The terminal and the page show the same plan.

A plan is a row of steps; a step has cues at times from its own start, so it can be repeated. Spacing is
jittered, or people act by rhythm instead of by cue. ``Routine`` walks through the steps by whatever clock it
is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

StepName = Literal["rest", "closed", "act", "twice", "maximum", "everyday", "verify"]

ACTS = 10  # cued acts of a kind
# WCAG 2.2, 2.3.1: nothing flashes more than three times in a second.
FLASHES_PER_S = 3.0
PAUSE_S = 3.0  # between two steps
_LEAD_IN_S = 2.0
_REST_S = 20.0
_CLOSED_S = 25.0
_LONG_REST_S = 60.0  # for what is counted by the minute
_EVERYDAY_EACH_S = 12.0
_VERIFY_ACTS = 5
# Longer than a reaction (180-200 ms) with a blink (400 ms) or a shift and fixation after it.
_PAUSE_S = {"blink": (1.8, 3.0), "gaze": (1.3, 2.1), "contraction": (1.8, 2.8)}
_HOLD_S = 1.5
_MAXIMUM_HOLD_S = 3.0
# Rest between maximal efforts; common practice asks for more, for strength rather than for a scale.
_MAXIMUM_PAUSE_S = 6.0

EVERYDAY: tuple[tuple[str, str], ...] = (
    ("look around", "Look around the room, move your head as you like"),
    ("talk", "Say aloud what you did this morning"),
    ("read", "Read the text on your screen or a page, silently"),
    ("swallow", "Swallow, yawn, touch your face, change your posture"),
)
CALIBRATED: tuple[str, ...] = ("blink", "gaze", "contraction", "heartbeat", "drowsiness", "alpha")
# Nothing is done on cue for these.
RESTING = ("heartbeat", "drowsiness", "alpha")


@dataclass(frozen=True, slots=True)
class Cue:
    """One prompt, ``at_s`` after its step's start; ``label`` goes to the recording, ``words`` to people."""

    at_s: float
    label: str
    words: str
    hold_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Step:
    """A stretch with one instruction. ``detector`` is whose acts it holds, empty for a shared step."""

    name: StepName
    detector: str
    words: str
    seconds: float
    cues: tuple[Cue, ...] = ()

    @property
    def label(self) -> str:
        """What goes into the recording for the step itself."""
        return f"step {self.name} {self.detector}".rstrip()


def plan(detectors: Sequence[str], *, seed: int = 0, acts: int = ACTS) -> tuple[Step, ...]:
    """The whole session for one or several detectors: rest, acts, everyday, verify.

    Rest and everyday are shared; one detector's acts are what another must not take for its own. Raises
    ValueError for a detector that has no routine or fewer than three acts.
    """
    for name in detectors:
        if name not in CALIBRATED:
            raise ValueError(f"there is no calibration for {name!r}; there is for: {', '.join(CALIBRATED)}")
    if acts < 3:
        raise ValueError(f"a fit needs at least three acts of a kind, not {acts}")
    random = np.random.default_rng(seed)
    rest_s = _LONG_REST_S if "drowsiness" in detectors else _REST_S
    steps = [Step("rest", "", "Sit still, look straight ahead, blink as you need to", rest_s)]
    if "alpha" in detectors:
        opening = Cue(_CLOSED_S, "do open the eyes", "OPEN your eyes")
        words = "Close your eyes and sit still until you are told to open them"
        steps.append(Step("closed", "", words, _CLOSED_S + 1.0, (opening,)))
    for name in detectors:
        steps.extend(_acting(name, acts, random))
    active = [name for name in detectors if name not in RESTING]
    if active:
        steps.append(_everyday())
    steps.extend(_cued("verify", name, _acts_of(name, _VERIFY_ACTS), random) for name in active)
    return tuple(steps)


def total_s(steps: Sequence[Step]) -> float:
    return sum(step.seconds for step in steps)


def _acting(detector: str, acts: int, random: np.random.Generator) -> list[Step]:
    if detector in RESTING:
        return []
    steps = [_cued("act", detector, _acts_of(detector, acts), random)]
    if detector == "blink":
        twice = [("cue blink twice", "Blink firmly TWICE", 0.0)] * acts
        steps.append(_cued("twice", detector, twice, random, longer_s=0.8))
    if detector == "contraction":
        most = [("cue contraction maximum", "As HARD as you can", _MAXIMUM_HOLD_S)] * 3
        steps.append(_cued("maximum", detector, most, random, longer_s=_MAXIMUM_PAUSE_S - 2))
    return steps


def _acts_of(detector: str, acts: int) -> list[tuple[str, str, float]]:
    if detector == "blink":
        return [("cue blink deliberate", "BLINK firmly", 0.0)] * acts
    if detector == "gaze":
        there_and_back: list[tuple[str, str, float]] = []
        for _ in range(acts):
            for side in ("left", "right"):
                there_and_back.append((f"cue gaze-{side}", f"Look {side.upper()}", 0.0))
                there_and_back.append(("cue gaze-centre", "Look BACK to the centre", 0.0))
        return there_and_back
    each = [
        ("cue contraction light", "Tense LIGHTLY", _HOLD_S),
        ("cue contraction strong", "Tense FIRMLY", _HOLD_S),
    ]
    return each * acts


_INSTRUCTIONS: dict[tuple[StepName, str], str] = {
    ("act", "blink"): "Blink once, firmly, each time you are told",
    ("twice", "blink"): "Blink twice in a row, firmly, each time you are told",
    ("verify", "blink"): "Once more: blink once, firmly, when told",
    ("act", "gaze"): "Move only your eyes, as far as is comfortable, and stay until the next word",
    ("verify", "gaze"): "Once more: eyes left, right and back when told",
    ("act", "contraction"): "Tense the muscle when told and hold it until told to let go",
    ("maximum", "contraction"): "Three times with all your strength; stop if anything hurts",
    ("verify", "contraction"): "Once more: tense when told, let go when told",
}


def _cued(
    name: StepName,
    detector: str,
    acts: Sequence[tuple[str, str, float]],
    random: np.random.Generator,
    *,
    longer_s: float = 0.0,
) -> Step:
    shortest_s, longest_s = _PAUSE_S[detector]
    at_s = _LEAD_IN_S
    cues = []
    for label, words, hold_s in acts:
        cues.append(Cue(round(at_s, 3), label, words, hold_s))
        at_s += hold_s + longer_s + float(random.uniform(shortest_s, longest_s))
    return Step(name, detector, _INSTRUCTIONS[name, detector], round(at_s, 3), tuple(cues))


def _everyday() -> Step:
    cues = tuple(
        Cue(number * _EVERYDAY_EACH_S, f"do {label}", words, _EVERYDAY_EACH_S)
        for number, (label, words) in enumerate(EVERYDAY)
    )
    words = "Now do NOT do the acts you were asked for"
    return Step("everyday", "", words, _EVERYDAY_EACH_S * len(EVERYDAY), cues)


@dataclass(frozen=True, slots=True)
class Shown:
    """Something due now: a step begins, a cue falls, a held act may be let go, or the step has ended.

    ``time_s`` is the moment it was due, on the routine's own clock.
    """

    what: Literal["step", "cue", "let-go", "step-ended", "done"]
    time_s: float
    step: Step | None = None
    cue: Cue | None = None
    number: int = 0  # of the step, from 0


class Routine:
    """Walks a plan. ``advance`` is told the time and gives what is due; ``repeat`` starts a step anew.

    After a step it waits for ``go`` (or goes on by itself after ``pause_s``), so that a person can rest.
    """

    def __init__(self, steps: Sequence[Step], *, pause_s: float = PAUSE_S) -> None:
        if not steps:
            raise ValueError("a routine needs at least one step")
        _check_flashes(steps)
        self.steps = tuple(steps)
        self._pause_s = pause_s
        self._at = 0
        self._due: list[Shown] = []
        self._resume_s: float | None = None
        self._begun = False
        self.done = False

    @property
    def step(self) -> Step:
        """The one that runs, or the next one in a pause."""
        return self.steps[min(self._at, len(self.steps) - 1)]

    def advance(self, time_s: float) -> list[Shown]:
        """What has fallen due up to ``time_s``, in order."""
        shown: list[Shown] = []
        if not self._begun:
            self._begun = True
            self._resume_s = time_s
        while not self.done:
            if self._resume_s is not None:
                if time_s < self._resume_s:
                    break
                self._begin(self._resume_s)
            if not self._due or self._due[0].time_s > time_s:
                break
            item = self._due.pop(0)
            shown.append(item)
            if item.what == "step-ended":
                self._at += 1
                if self._at == len(self.steps):
                    self.done = True
                    shown.append(Shown("done", item.time_s))
                else:
                    self._resume_s = item.time_s + self._pause_s
        return shown

    def go(self, time_s: float) -> None:
        """End the pause between two steps."""
        if self._resume_s is not None:
            self._resume_s = min(self._resume_s, time_s)

    def repeat(self, time_s: float) -> int:
        """Do the running step again, or in a pause the one before; the number of the step that is void.

        The caller writes ``step repeated`` into the recording. It begins after the pause.
        """
        if self._resume_s is not None and self._at > 0:
            self._at -= 1
        self.done = False
        self._due = []
        self._resume_s = time_s + self._pause_s
        return self._at

    def _begin(self, start_s: float) -> None:
        step = self.step
        self._resume_s = None
        due = [Shown("step", start_s, step, None, self._at)]
        for cue in step.cues:
            due.append(Shown("cue", start_s + cue.at_s, step, cue, self._at))
            if cue.hold_s and step.name != "everyday":
                due.append(Shown("let-go", start_s + cue.at_s + cue.hold_s, step, cue, self._at))
        due.append(Shown("step-ended", start_s + step.seconds, step, None, self._at))
        self._due = sorted(due, key=lambda item: item.time_s)


def _check_flashes(steps: Sequence[Step]) -> None:
    """Raises ValueError where prompts would come faster than three a second."""
    for step in steps:
        times = sorted([cue.at_s for cue in step.cues] + [c.at_s + c.hold_s for c in step.cues if c.hold_s])
        for before, after in pairwise(times):
            if 0 < after - before < 1 / FLASHES_PER_S:
                raise ValueError(
                    f"step {step.name}: prompts {after - before:.2f} s apart would flash too fast"
                )


def at_pace(steps: Sequence[Step], factor: float) -> tuple[Step, ...]:
    """The same plan, slower by ``factor``, for people who need more time. Raises ValueError below 1."""
    if factor < 1:
        raise ValueError(f"a pace factor of {factor:g} would be faster than planned")
    return tuple(
        replace(
            step,
            seconds=step.seconds * factor if step.cues else step.seconds,
            cues=tuple(replace(cue, at_s=cue.at_s * factor) for cue in step.cues),
        )
        for step in steps
    )
