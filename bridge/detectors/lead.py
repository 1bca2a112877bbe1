"""One electrode's way to its detector: unusable samples out, spikes held, then the filter."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from bridge.signals.filters import CausalFilter
from bridge.signals.robust import Roughness, SpikeGate
from bridge.signals.types import Channel, Samples

# No converter counts further; beyond it sums would lose the signal.
BEYOND: Final = 1e12
# Below this many samples plain Python is faster than numpy's calls.
_FEW: Final = 16


class Lead:
    """Conditions one channel, block after block.

    A sample that is not a number, beyond any converter, or at a rail, is unusable. The first usable one
    after it seeds the filter anew, and for ``settle_s`` from there nothing is given out: NaN stands for it.
    With ``weigh_roughness``, ``rough`` has the muscle activity beside each sample of the last block.
    """

    def __init__(
        self,
        channel: Channel,
        rate_hz: float,
        sos: Samples,
        settle_s: float,
        *,
        weigh_roughness: bool = False,
    ) -> None:
        self._low = max(channel.low, -BEYOND)
        self._high = min(channel.high, BEYOND)
        self._gate = SpikeGate(rate_hz)
        self._filter = CausalFilter(sos)
        self._roughness = Roughness(rate_hz) if weigh_roughness else None
        self.rough: list[float] = []
        self.roughness = 0.0
        self._settle = round(settle_s * rate_hz)
        self._blank = self._settle

    def restart(self) -> None:
        """A gap: seed anew, keep what was learnt of the signal's scale."""
        self._gate.restart()
        self._filter.reset()
        if self._roughness is not None:
            self._roughness.restart()
        self._blank = self._settle

    def reset(self) -> None:
        self.restart()
        self._gate.reset()
        if self._roughness is not None:
            self._roughness.reset()

    def process(self, x: Samples) -> list[float]:
        """Raw samples, shape (n,), to conditioned ones, NaN where there is none."""
        self.rough = []
        if x.shape[0] <= _FEW:
            values: list[float] = x.tolist()
            if len(values) > 1 and all(self._low < value < self._high for value in values):
                return self._run(values)
            given = []
            for value in values:
                given.append(self.step(value))
                self.rough.append(self.roughness)
            return given
        usable = np.isfinite(x) & (x > self._low) & (x < self._high)
        if usable.all():
            return self._run(x.tolist())
        out: list[float] = []
        edges = np.flatnonzero(np.diff(usable)) + 1
        for run, good in zip(np.split(x, edges), usable[np.r_[0, edges]].tolist(), strict=True):
            if good:
                out.extend(self._run(run.tolist()))
            else:
                self.restart()
                out.extend([math.nan] * len(run))
                self.rough.extend([0.0] * len(run))
        return out

    def step(self, value: float) -> float:
        """The same for one sample; ``roughness`` is what is beside it."""
        if not self._low < value < self._high:
            self.restart()
            self.roughness = 0.0
            return math.nan
        value = self._gate.step(value)
        y = self._filter.step(value)
        if self._roughness is not None:
            self.roughness = self._roughness.step(value)
        if self._blank:
            self._blank -= 1
            return math.nan
        return y

    def _run(self, values: list[float]) -> list[float]:
        """Usable samples in a row."""
        step = self._gate.step
        gated = [step(value) for value in values]
        if self._roughness is not None:
            rough = self._roughness.step
            self.rough.extend(rough(value) for value in gated)
        y: list[float] = self._filter.process(np.array(gated)).tolist()
        blank = min(self._blank, len(y))
        if blank:
            self._blank -= blank
            y[:blank] = [math.nan] * blank
        return y
