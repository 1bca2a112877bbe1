"""Running second-order sections: the compiled loop inside scipy, without the rest of ``scipy.signal``.

One call of ``scipy.signal.sosfilt`` costs about 25 µs, nearly all of it checking its arguments, and importing
it 0.9 s and 100 MB. Its compiled loop is a module of its own: where that can be loaded and does what plain
Python does, it is called directly (about 1 µs). It is no public name of scipy, so nothing is taken on trust:
where it is missing or differs in a single bit, ``scipy.signal.sosfilt`` itself runs, with the same results.
"""

from __future__ import annotations

import importlib.machinery
import importlib.util
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np

from bridge.signals.types import Samples

# (sections (k, 6), samples (signals, n), state (signals, k, 2)): samples and state are changed in place.
RunSections: TypeAlias = Callable[[Samples, Samples, Samples], None]

_MODULE: Final = "_sosfilt"
# Measured: one call of scipy's sosfilt costs as much as about 60 plain-Python section steps.
_SCALAR_STEPS: Final = 60


class Section:
    """One second-order section with its state, transposed direct form II: the definition of the others.

    Its seven numbers lie side by side: single samples come so far apart that fetching a number from memory
    takes longer than the arithmetic.
    """

    __slots__ = ("a1", "a2", "b0", "b1", "b2", "z1", "z2")

    def __init__(self, coefficients: list[float], state: list[float]) -> None:
        """``coefficients``: b0, b1, b2, a0 = 1, a1, a2."""
        self.b0, self.b1, self.b2, _, self.a1, self.a2 = coefficients
        self.z1, self.z2 = state

    def step(self, value: float) -> float:
        y = self.b0 * value + self.z1
        self.z1 = self.b1 * value - self.a1 * y + self.z2
        self.z2 = self.b2 * value - self.a2 * y
        return y


class Cascade:
    """Sections one after the other, for samples one by one."""

    __slots__ = ("_sections",)

    def __init__(self, sos: Samples, state: Samples) -> None:
        """``sos``: shape (k, 6); ``state``: shape (k, 2)."""
        self._sections = [Section(*both) for both in zip(sos.tolist(), state.tolist(), strict=True)]

    def step(self, value: float) -> float:
        for section in self._sections:
            value = section.step(value)
        return value

    @property
    def state(self) -> list[list[float]]:
        """Shape (k, 2)."""
        return [[section.z1, section.z2] for section in self._sections]


def run_in_python(sos: Samples, x: Samples, state: Samples) -> None:
    """Sample by sample."""
    for row in range(x.shape[0]):
        cascade = Cascade(sos, state[row])
        x[row] = [cascade.step(value) for value in x[row].tolist()]
        state[row] = cascade.state


def run_by_scipy(sos: Samples, x: Samples, state: Samples) -> None:
    """The public function for long blocks, plain Python for those that are shorter than its call."""
    if x.size * len(sos) <= _SCALAR_STEPS:
        run_in_python(sos, x, state)
        return
    from scipy import signal

    x[:], after = signal.sosfilt(sos, x, axis=-1, zi=state.transpose(1, 0, 2))
    state[:] = after.transpose(1, 0, 2)


def compiled() -> RunSections | None:
    """scipy's own compiled loop, if it is there and does bit for bit what plain Python does."""
    import scipy

    folder = Path(scipy.__file__).parent / "signal"
    for suffix in importlib.machinery.EXTENSION_SUFFIXES:
        file = folder / (_MODULE + suffix)
        if file.is_file():
            break
    else:
        return None
    try:
        spec = importlib.util.spec_from_file_location(f"scipy.signal.{_MODULE}", file)
        if spec is None or spec.loader is None:
            return None
        module: Any = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        run: RunSections = module._sosfilt
        return run if _agrees(run) else None
    except Exception:  # a private part of another version may do anything; the public way remains
        return None


def _agrees(run: RunSections) -> bool:
    sos = np.array([[0.25, 0.375, 0.21, 1.0, -1.21, 0.53], [1.0, -1.9, 0.91, 1.0, -1.71, 0.77]])
    x = np.sin(np.arange(26.0) ** 2).reshape(2, 13)
    state = np.cos(np.arange(8.0)).reshape(2, 2, 2)
    y, after = x.copy(), state.copy()
    run_in_python(sos, x, state)
    run(sos, y, after)
    return bool((x == y).all() and (state == after).all())


run_sections: RunSections = compiled() or run_by_scipy
