"""The synthetic person at a calibration: does what the prompts say, as often as it is told to be reliable.

THE MODEL, NOT DATA. A cue is answered after 300 ms, spread 60 ms, and a lid takes 100 ms to close (simple
reactions take 180-200 ms; a word and a movement take longer, common practice). Spontaneous blinks come at
random 17 a minute at rest, 26 talking, 4.5 reading (Bentivoglio 1997). It lets the whole routine be tried
without a body; what is fitted to it says nothing about people.
"""

from __future__ import annotations

import numpy as np

from bridge.signals.types import Samples
from bridge.sources.person import UV_PER_DEGREE, SyntheticPerson, Truth

_BLINKS_PER_MINUTE = {"talk": 26.0, "read": 4.5}
_AT_REST_PER_MINUTE = 17.0
_APART_S = 0.6  # of two blinks that are no double blink
_CHUNK_S = 0.1  # what is generated ahead cannot be changed any more
_GLANCE_DEGREES = 20.0
_EFFORTS_UV = {"light": 70.0, "strong": 140.0, "maximum": 280.0}
_ALPHA_GAIN = 6.0  # of the rhythm while the eyes are closed
_GOES_ON_S = 30.0  # after the last step it does again as it likes
_MOST_SHIFTS = 60


class ObeyingPerson(SyntheticPerson):
    """As ``SyntheticPerson`` until ``prompted``. ``reliability``: the share of the cues that it follows."""

    def __init__(
        self,
        seed: int = 0,
        rate_hz: float = 250.0,
        mains_hz: float = 50.0,
        heart_rate_per_min: float = 66.0,
        *,
        reliability: float = 1.0,
    ) -> None:
        """Raises ValueError for a reliability that is no share."""
        if not 0 <= reliability <= 1:
            raise ValueError(f"a reliability of {reliability:g} is no share from 0 to 1")
        super().__init__(seed, rate_hz, mains_hz, heart_rate_per_min)
        self._reliability = reliability
        self._own = np.random.default_rng([seed, 4])
        self._obeys_until_s = -1.0
        self._looks_uv = 0.0
        self._closed: list[tuple[float, float]] = []  # when the eyes are closed

    def prompted(self, label: str, seconds: float) -> None:
        """A prompt as a calibration's recording names it: ``step …``, ``cue …`` or ``do …``."""
        now_s = self.given_s
        if now_s > self._obeys_until_s:
            self._stop_own(now_s)
        what, _, rest = label.partition(" ")
        if what == "step":
            self._obeys_until_s = now_s + seconds + _GOES_ON_S
            if rest == "closed":
                self._closed.append((now_s + 0.3, now_s + seconds))
            elif rest != "everyday":
                self._spontaneous(now_s, now_s + seconds, _AT_REST_PER_MINUTE)
        elif what == "do":
            self._everyday(now_s, rest, seconds)
        elif what == "cue" and self._own.random() < self._reliability:
            self._act(now_s + float(np.clip(self._own.normal(0.3, 0.06), 0.15, 0.6)), rest, seconds)

    def _plan(self) -> None:
        if self._planned_s < self._obeys_until_s:
            self._skip_plan()
        else:
            super()._plan()

    def _stop_own(self, now_s: float) -> None:
        """From now on nothing but what is asked for; what has begun comes to its end."""
        self._chunk_s = _CHUNK_S
        generated_s = self.made_s
        self.truth = [item for item in self.truth if item.kind == "heartbeat" or item.onset <= generated_s]
        self._gaze = [shift for shift in self._gaze if shift[0] <= generated_s]
        self._looks_uv = self._gaze_base_uv + sum(to - start for _, start, to in self._gaze)
        self._obeys_until_s = now_s + _GOES_ON_S
        self._look(generated_s + 0.2, 0.0)

    def _act(self, start_s: float, what: str, seconds: float) -> None:
        kind, _, which = what.partition(" ")
        if kind == "blink":
            self._blink_firmly(start_s + 0.1)
            if which == "twice":
                self._blink_firmly(start_s + 0.1 + float(self._own.uniform(0.42, 0.55)))
        elif kind == "contraction":
            size = _EFFORTS_UV.get(which, _EFFORTS_UV["strong"]) * float(self._own.uniform(0.9, 1.1))
            self.truth.append(Truth("contraction", start_s, seconds, "forearm", size=size))
        elif kind.startswith("gaze-"):
            side = {"gaze-left": -1.0, "gaze-right": 1.0}.get(kind, 0.0)
            self._look(start_s, side * _GLANCE_DEGREES * float(self._own.uniform(0.93, 1.07)))

    def _blink_firmly(self, peak_s: float) -> None:
        self.truth = [
            item
            for item in self.truth
            if item.kind != "blink" or item.deliberate or abs(item.onset - peak_s) > _APART_S
        ]
        self._blink(peak_s, float(self._own.uniform(200, 280)), True)

    def _look(self, start_s: float, degrees: float) -> None:
        wanted_uv = degrees * UV_PER_DEGREE
        if wanted_uv != self._looks_uv:
            self._shift(start_s, self._looks_uv, wanted_uv)
            self._looks_uv = wanted_uv
        self._forget_shifts(_MOST_SHIFTS)

    def _everyday(self, now_s: float, what: str, seconds: float) -> None:
        self._spontaneous(now_s, now_s + seconds, _BLINKS_PER_MINUTE.get(what, _AT_REST_PER_MINUTE))
        if what in ("look around", "read"):
            widest = 8.0 if what == "look around" else 2.0  # degrees; smaller than a glance that is meant
            for at_s in np.arange(0.5, max(0.0, seconds - 0.8), 0.9 if what == "look around" else 0.4):
                self._look(now_s + float(at_s), float(self._own.uniform(-widest, widest)))
            self._look(now_s + seconds - 0.3, 0.0)

    def _spontaneous(self, start_s: float, end_s: float, per_minute: float) -> None:
        at_s = start_s + 0.3
        while (at_s := at_s + _APART_S + float(self._own.exponential(60 / per_minute))) < end_s:
            self._blink(at_s, float(self._own.uniform(70, 120)), False)

    def _alpha(self, time: Samples) -> Samples:
        gain = np.ones(time.size)
        for start_s, end_s in self._closed[-4:]:
            gain[(time >= start_s) & (time < end_s)] = _ALPHA_GAIN
        return gain
