"""Short gaps, bridged in front of a detector: what it takes for granted is a signal without holes.

Radio links and busy boards lose single samples. A filter that is seeded anew at each of them never settles,
so a gap up to the detector's longest bridge is filled, and the detector goes on as if it had not been. The
block keeps its jump: what is filled in reaches the detector, no recording and no picture.

How a gap is filled depends on what the channel carries:

- a straight line between the samples on both sides; what a line cannot hide is slower than the gap;
- raw EMG is noise whose size is the message, and a line would be a rest: the samples before the gap are
  repeated in reverse, which keeps their size (waveform substitution, as speech links do it; from memory);
- the envelope of an EMG is held at its last value: a line would invent steps finer than the converter's.

How long a bridge may be is said by each detector. A line tells nothing of what happened on it, so it must not
hide what is looked for as a whole: a QRS complex lasts 80 to 120 ms, a blink 100 to 400, a saccade with its
step stays as a ramp, one period of a rhythm is a tenth of the second it is averaged over, and control by
muscles takes delays up to 125 ms. So all of ours say 0.1 s. Whatever is
shorter than a bridge costs no more than itself; a restart costs the settling of the filters besides.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import isfinite
from typing import Any, Final

import numpy as np

from bridge.detectors.contract import Detector, Trace
from bridge.signals.types import Block, Channel, Detection, Event, Level, Samples

_NAN: Final = float("nan")


class Bridged:
    """A detector, its contract unchanged, that sees no gap of up to ``longest_s`` seconds.

    A gap is a jump in ``Block.first``, or samples that are not finite. Both ends of the bridge are known when
    the first sample after it comes; what the detector decides on the bridge is decided then. Where several
    channels lose samples at different times, all wait for the one that is missing. A longer gap reaches the
    detector as it is, and so does a channel without a sample for longer than a bridge.
    """

    def __init__(
        self, inner: Detector, channels: Sequence[Channel], rate_hz: float, longest_s: float
    ) -> None:
        self.name = inner.name
        self._inner = inner
        self._rate_hz = rate_hz
        self._longest = int(longest_s * rate_hz + 1e-9)
        self._kinds = [channel.kind for channel in channels]
        self._width = len(channels)
        # The last rows that the detector got, as many as a repetition can need.
        self._past: deque[list[float]] = deque(maxlen=self._longest + 1 if "emg" in self._kinds else 1)
        self._joined: Trace | None = None  # the trace of a block that was not passed on whole
        self._forget()
        self._next: int | None = None

    def _forget(self) -> None:
        """Nothing is known of what came before: there is nothing to build a bridge from."""
        self._past.clear()
        self._waiting: list[list[float]] = []  # rows from the first missing sample on
        self._gone = [True] * self._width  # without a sample for longer than a bridge: not waited for

    @property
    def settings(self) -> Any:
        return self._inner.settings

    @settings.setter
    def settings(self, settings: Any) -> None:
        """Raises AttributeError where the detector takes none while it runs."""
        inner: Any = self._inner
        inner.settings = settings

    @property
    def trace(self) -> Trace | None:
        """The detector's, NaN where a sample is missing."""
        return self._inner.trace if self._joined is None else self._joined

    def reset(self) -> None:
        self._inner.reset()
        self._joined = None
        self._forget()
        self._next = None

    def flush(self) -> list[Detection]:
        """What waits for a sample that will not come reaches the detector as it is."""
        found = self._release(self._next, self._next - 1) if self._next is not None else []
        self._forget()
        found.extend(self._inner.flush())
        return found

    def process(self, block: Block) -> list[Detection]:
        """Samples of shape (n, own channels)."""
        if len(block) == 0:
            return []
        self._joined = None
        if block.first == self._next and not self._waiting:
            row = block.row
            if row is not None:
                if self._sound(row):
                    self._past.append(row)
                    self._next += 1
                    return self._inner.process(block)
            elif bool(np.isfinite(block.samples).all()):
                self._gone = [False] * self._width
                self._remember(block.samples)
                self._next = block.end
                return self._inner.process(block)
        return self._piecewise(block)

    def _sound(self, row: list[float]) -> bool:
        """Is a value there for each channel, as it was in the row before?"""
        for column in range(self._width):
            value = row[column]
            if value - value != 0.0 or self._gone[column]:  # NaN for what is not finite
                return False
        return True

    def _remember(self, samples: Samples) -> None:
        """Rows that the detector gets."""
        kept = self._past.maxlen or 1
        self._past.extend(samples[-kept:].tolist())

    def _piecewise(self, block: Block) -> list[Detection]:
        """A block after a jump, or with samples missing in it or before it."""
        found: list[Detection] = []
        samples = block.samples
        if self._next is not None and block.first != self._next:
            self._jump(self._next, block.first, found)
        self._next = block.end
        there = np.isfinite(samples)
        turns = np.flatnonzero((there[1:] != there[:-1]).any(axis=1)) + 1
        bounds: list[int] = [0, *turns.tolist(), len(samples)]
        shown: list[tuple[int, Trace]] = []
        for start, stop in pairwise(bounds):
            start += self._wait(samples[start:stop], there[start].tolist(), block.first + start, found)
            if start < stop:
                self._remember(samples[start:stop])
                found.extend(
                    self._inner.process(Block(samples[start:stop], block.first + start, block.received))
                )
                trace = self._inner.trace
                if trace is not None:
                    shown.append((start, trace))
        self._joined = _laid_out(shown, block)
        return found

    def _jump(self, expected: int, first: int, found: list[Detection]) -> None:
        """Samples of all channels are missing from index ``expected`` to before ``first``."""
        missing = first - expected
        if 0 < missing <= self._longest - len(self._waiting) and not all(self._gone):
            self._waiting.extend([_NAN] * self._width for _ in range(missing))
            return
        found.extend(self._release(expected, first))
        self._forget()

    def _wait(self, samples: Samples, there: list[bool], first: int, found: list[Detection]) -> int:
        """Rows from index ``first`` on, in each of which the values ``there`` are there.

        Returns how many of them are kept until a bridge is built; the others are for the detector.
        """
        for column in range(self._width):
            if there[column]:
                self._bridge(column, float(samples[0, column]))
                self._gone[column] = False
        kept = 0
        missed = [column for column in range(self._width) if not there[column] and not self._gone[column]]
        if missed:
            kept = min(len(samples), max(0, self._longest - len(self._waiting)))
            self._waiting.extend(samples[:kept].tolist())
            if kept == len(samples):
                return kept
            for column in missed:
                self._gone[column] = True
        found.extend(self._release(first + kept, first + kept))
        return kept

    def _bridge(self, column: int, value: float) -> None:
        """Fill in what is missing of a channel that has come back with ``value``."""
        waiting = self._waiting
        start = len(waiting)
        while start and not isfinite(waiting[start - 1][column]):
            start -= 1
        if start == len(waiting) or self._gone[column]:
            return
        kind = self._kinds[column]
        last = waiting[start - 1][column] if start else self._past[-1][column]
        missing = len(waiting) - start
        back = self._back(column, start, missing) if kind == "emg" else []
        for number in range(missing):
            if kind == "emg":
                filled = back[_to_and_fro(number + 1, len(back) - 1)]
            elif kind == "emg-envelope":
                filled = last
            else:
                filled = last + (value - last) * (number + 1) / (missing + 1)
            waiting[start + number][column] = filled

    def _back(self, column: int, start: int, missing: int) -> list[float]:
        """What the channel was before row ``start`` of those that wait, the last value first.

        As far back as it was there, at most for one sample more than are missing.
        """
        back: list[float] = []
        rows = [*self._past, *self._waiting[:start]]
        for row in reversed(rows):
            if len(back) > missing or not isfinite(row[column]):
                break
            back.append(row[column])
        return back

    def _release(self, end: int, now: int) -> list[Detection]:
        """The rows that waited, up to before index ``end``, reach the detector at index ``now``."""
        rows, self._waiting = self._waiting, []
        if not rows:
            return []
        self._past.extend(rows)
        found = self._inner.process(Block(np.array(rows), end - len(rows)))
        return _known_at(found, now / self._rate_hz)


def _to_and_fro(step: int, furthest: int) -> int:
    """How far back one is after so many steps, turning round at ``furthest`` and at 0."""
    if furthest == 0:
        return 0
    place = step % (2 * furthest)
    return min(place, 2 * furthest - place)


def _known_at(found: list[Detection], now_s: float) -> list[Detection]:
    """What was decided on a bridge, known only at its end; of each level the last."""
    last = {item.kind: item for item in found if isinstance(item, Level)}
    moved: list[Detection] = []
    for item in found:
        if isinstance(item, Event):
            moved.append(replace(item, decided=max(item.decided, now_s)))
        elif last[item.kind] is item:
            moved.append(replace(item, time=max(item.time, now_s)))
    return moved


def _laid_out(shown: list[tuple[int, Trace]], block: Block) -> Trace:
    """The traces of parts of a block, each at its place."""
    if len(shown) == 1 and len(shown[0][1].conditioned) == len(block):
        return shown[0][1]
    conditioned, upper, lower = np.full((3, len(block)), np.nan)
    for start, trace in shown:
        place = slice(start, start + len(trace.conditioned))
        conditioned[place], upper[place], lower[place] = trace.conditioned, trace.upper, trace.lower
    return Trace(block.first, conditioned, upper, lower)
