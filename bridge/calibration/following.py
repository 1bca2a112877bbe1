"""A detector that stays fitted: its thresholds follow slow drift within the profile's bounds."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from bridge.calibration.drift import Bounds, DriftWatcher, apply
from bridge.detectors.protocol import Detector, Trace
from bridge.signals.types import Block, Detection, moment

# Thresholds change at whole multiples of this sample time, so that block sizes make no difference.
_STEP_S: Final = 5.0


class Following:
    """Wraps a detector; the contract is the detector's own, with ``fit-lost`` and ``fit-back`` added."""

    def __init__(self, inner: Detector, bounds: Bounds, rate_hz: float) -> None:
        self.name = inner.name
        self._inner = inner
        self._bounds = bounds
        self._step = max(1, round(_STEP_S * rate_hz))
        self._base = inner.settings
        self._trace: Trace | None = None
        self.reset()

    def reset(self) -> None:
        self._inner.reset()
        plain = {name: getattr(self._base, name) for name in self._base.__dataclass_fields__}
        self._watcher = DriftWatcher(self.name, plain, self._bounds)
        self._follows = apply(self._inner, self._watcher.settings())
        self._trace = None

    @property
    def settings(self) -> Any:
        """As they were given; ``factor`` says how far the thresholds have gone from them."""
        return self._base

    @property
    def factor(self) -> float:
        return self._watcher.factor if self._follows else 1.0

    @property
    def trace(self) -> Trace | None:
        return self._trace

    def process(self, block: Block) -> list[Detection]:
        """Samples of shape (n, own channels), cut where thresholds may change."""
        found: list[Detection] = []
        traces: list[Trace] = []
        position = 0
        while position < len(block):
            take = min(len(block) - position, self._step - (block.first + position) % self._step)
            part = block
            if take < len(block):
                rows = slice(position, position + take)
                part = Block(block.samples[rows], block.first + position, block.received)
            found.extend(self._watched(self._inner.process(part)))
            if self._inner.trace is not None:
                traces.append(self._inner.trace)
            position += take
            if (block.first + position) % self._step == 0 and self._follows:
                apply(self._inner, self._watcher.settings())
        if traces:
            self._trace = _joined(traces)
        return found

    def flush(self) -> list[Detection]:
        return self._watched(self._inner.flush())

    def _watched(self, found: list[Detection]) -> list[Detection]:
        told = self._watcher.process(found)
        if not told:
            return found
        return sorted([*found, *told], key=moment)


def _joined(traces: list[Trace]) -> Trace:
    if len(traces) == 1:
        return traces[0]
    return Trace(
        traces[0].first,
        np.concatenate([trace.conditioned for trace in traces]),
        np.concatenate([trace.upper for trace in traces]),
        np.concatenate([trace.lower for trace in traces]),
    )
