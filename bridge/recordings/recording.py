"""A recording in memory: rows of samples, where the gaps are, and what was annotated."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bridge.signals.types import Annotation, Block, ChannelKind, Samples, StreamInfo

NATURAL_BLOCK = 4096


class RecordingError(ValueError):
    """A recording or reference cannot be used: ``where`` (file, and line if any), ``what``, ``mend``."""

    def __init__(self, where: str | Path, what: str, mend: str = "") -> None:
        super().__init__(f"{where}: {what}" + (f"; {mend}" if mend else ""))
        self.where = str(where)
        self.what = what
        self.mend = mend

    def __reduce__(self) -> tuple[type[RecordingError], tuple[str, str, str]]:
        """For other processes: made anew from its parts, which the text alone does not give."""
        return type(self), (self.where, self.what, self.mend)


@dataclass(frozen=True, slots=True)
class ChannelChoice:
    """A column to read and what it carries; without a kind its name must say it.

    ``name`` may be a pattern with ``*`` and ``?`` where no column has exactly that name.
    """

    name: str
    kind: ChannelKind | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """Rows without a gap, as stored, starting at sample index ``first``; raw has the shape (n, channels)."""

    first: int
    raw: NDArray[np.generic]


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """What a file holds. Sample time 0 is the file's own: a file that starts later has ``first`` > 0."""

    info: StreamInfo
    segments: Sequence[Segment]
    annotations: tuple[Annotation, ...] = ()
    # physical = raw × numerator ÷ denominator + offset, one each a channel; None: raw is physical already.
    scales: Sequence[tuple[float, float, float]] | None = None
    missing_codes: Sequence[float] | None = None  # raw values that stand for a missing sample, likewise
    note: str = ""  # what the file announces and does not hold, in words with its name

    @property
    def samples(self) -> int:
        """How many samples a channel has, gaps not counted."""
        return sum(int(segment.raw.shape[0]) for segment in self.segments)

    @property
    def seconds(self) -> float:
        """Seconds of signal, gaps not counted."""
        return self.samples / self.info.rate

    @property
    def first(self) -> int:
        """Index of the first sample."""
        return self.segments[0].first if self.segments else 0

    @property
    def end(self) -> int:
        """Index of the sample that would come after the last."""
        if not self.segments:
            return 0
        return self.segments[-1].first + int(self.segments[-1].raw.shape[0])

    def blocks(self, size: int = 0) -> Iterator[Block]:
        """Blocks of at most ``size`` samples (0: a size of its own); gaps are jumps in ``first``."""
        step = size if size > 0 else NATURAL_BLOCK
        for segment in self.segments:
            length = int(segment.raw.shape[0])
            for start in range(0, length, step):
                yield Block(self._physical(segment.raw[start : start + step]), segment.first + start)

    def _physical(self, raw: NDArray[np.generic]) -> Samples:
        samples = np.array(raw, dtype=np.float64, order="C")
        if self.missing_codes is not None:
            samples[samples == np.asarray(self.missing_codes)] = np.nan
        if self.scales is not None:
            for column, (numerator, denominator, offset) in enumerate(self.scales):
                if numerator != 1:
                    samples[:, column] *= numerator
                if denominator != 1:
                    samples[:, column] /= denominator
                if offset:
                    samples[:, column] += offset
        return samples


def selected(
    labels: Sequence[str],
    choices: Sequence[ChannelChoice] | None,
    where: str | Path,
    known: Sequence[ChannelKind | None] = (),
) -> list[tuple[int, ChannelKind]]:
    """Which columns are read, in order, and their kinds: as chosen, as the file says, or by name.

    Raises RecordingError.
    """
    from fnmatch import fnmatchcase

    from bridge.recordings.kinds import channel_name, kind_of

    names = [channel_name(label) for label in labels]
    wanted: list[tuple[int, ChannelKind | None]] = []
    if not choices:
        wanted = [(index, None) for index in range(len(labels))]
    for choice in choices or ():
        lowered = choice.name.lower()
        exact = [i for i, label in enumerate(labels) if choice.name in (label, names[i])]
        found = (
            exact
            or [i for i, label in enumerate(labels) if lowered in (label.lower(), names[i].lower())]
            or [i for i, name in enumerate(names) if fnmatchcase(name.lower(), lowered)]
        )
        if not found:
            raise RecordingError(where, f"there is no channel {choice.name!r}", f"it has: {', '.join(names)}")
        if len(exact) > 1:
            raise RecordingError(
                where, f"{len(exact)} channels are called {choice.name!r}", "rename all but one"
            )
        taken = [index for index, _ in wanted]
        wanted.extend((index, choice.kind) for index in found if index not in taken)

    result: list[tuple[int, ChannelKind]] = []
    unknown: list[str] = []
    for index, given in wanted:
        kind = given or (known[index] if known else None) or kind_of(labels[index])
        if kind is None:
            unknown.append(names[index])
        else:
            result.append((index, kind))
    if unknown:
        listed = ", ".join(repr(name) for name in unknown)
        raise RecordingError(
            where,
            f"what channel {listed} carries cannot be told from its name"
            if len(unknown) == 1
            else f"what channels {listed} carry cannot be told from their names",
            f"say it, as in --channel {unknown[0]} --kind emg, or name only the channels to read",
        )
    if not result:
        raise RecordingError(where, "it holds no channels")
    return result
