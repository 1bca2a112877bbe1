"""From rows of numbers to blocks: which column is which channel, in which unit, what is missing."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from bridge.recordings.kinds import kind_of
from bridge.signals.types import Block, Channel, ChannelKind, Samples, StreamInfo, Unit
from bridge.sources.clock import SampleClock, measured_rate
from bridge.sources.frames import Sample
from bridge.sources.numbering import Numbering
from bridge.sources.protocol import SourceCounts, SourceError

if TYPE_CHECKING:
    from bridge.rules.schema import ChannelSpec

log = logging.getLogger("bridge")

# A stream that stays this far behind its own clock has lost samples.
_BEHIND_S: Final = 0.25
_BEHIND_FOR_S: Final = 1.0
_CHECK_AFTER_S: Final = 5.0
# Rows after a silence are kept back for so long: what was only late comes at once, what was lost never does.
_SILENT_S: Final = 0.15
_ALL_COME_S: Final = 0.06
_PACES: Final = 4.0  # a silence is that much longer than the usual time between two arrivals


@dataclass(frozen=True, slots=True)
class Wire:
    """A channel of a live source. ``column`` counts from 0; None takes the columns in order.

    With ``gain``, ``reference_v`` and ``bits`` counts become µV at the electrode. ``low``/``high`` are the
    converter's rails, in the unit of the numbers as they come.
    """

    name: str
    kind: ChannelKind
    column: int | None = None
    gain: float | None = None
    reference_v: float | None = None
    bits: int | None = None
    unit: Unit = "count"
    low: float | None = None
    high: float | None = None

    def channel(self) -> tuple[Channel, float]:
        """The channel as the rest of the program knows it, and the factor from what comes to its unit."""
        low, high = self.low, self.high
        raw = self.bits is not None and self.unit == "count"
        if raw and self.bits is not None:
            low = 0.0 if low is None else low
            high = float(2**self.bits - 1) if high is None else high
        factor, unit = 1.0, self.unit
        if self.gain is not None and self.reference_v is not None:
            if self.bits is None:
                raise SourceError(f"channel {self.name!r} has a gain and a reference voltage but no `bits`")
            factor, unit = self.reference_v / 2**self.bits / self.gain * 1e6, "uV"
        rails = (-np.inf if low is None else low * factor, np.inf if high is None else high * factor)
        step = factor if raw else 0.0
        return Channel(self.name, self.kind, unit, min(rails), max(rails), step), factor


@dataclass(frozen=True, slots=True)
class Wiring:
    """Columns and factors of all channels, in order."""

    channels: tuple[Channel, ...]
    columns: tuple[int, ...]
    factors: tuple[float, ...]
    explicit: bool  # do the channels say which column each is, so that others may be left over?
    scaled: bool  # is any factor not 1?

    def check_columns(self, sent: int, where: str) -> None:
        """Raises SourceError when what is sent is not what the channels need."""
        last = max(self.columns)
        if last >= sent:
            name = self.channels[self.columns.index(last)].name
            raise SourceError(
                f"{where} sends {_numbers(sent)} a line, but channel {name!r} is number {last + 1}; "
                f"correct `channels`"
            )
        if sent > len(self.columns) and not self.explicit:
            raise SourceError(
                f"{where} sends {_numbers(sent)} a line, but `channels` names {len(self.columns)}; "
                f"name them all, or say which with `column: N` (the first is 1)"
            )

    def samples(self, rows: Sequence[Sequence[float]]) -> Samples:
        """Rows as samples in the channels' units, shape (n, channels)."""
        table = np.array(rows, dtype=np.float64)
        if self.explicit or table.shape[1] != len(self.columns):
            table = np.ascontiguousarray(table[:, self.columns])
        if self.scaled:
            table *= self.factors
        return table

    def sample(self, row: Sequence[float]) -> list[float]:
        """One row as one sample of each channel, in its unit."""
        if self.explicit or len(row) != len(self.columns):
            row = [float(row[column]) for column in self.columns]
        if self.scaled:
            return [value * factor for value, factor in zip(row, self.factors, strict=True)]
        return row if isinstance(row, list) else [float(value) for value in row]

    def block(self, rows: Sequence[Sequence[float]], first: int, received_s: float) -> Block:
        """Rows as a block that begins with sample ``first``."""
        return Block(self.sample(rows[0]) if len(rows) == 1 else self.samples(rows), first, received_s)


def wiring(wires: Sequence[Wire]) -> Wiring:
    """Raises SourceError when two channels share a name or none are given."""
    if not wires:
        raise SourceError("the source has no `channels`; say what each number of a line is")
    names = [wire.name for wire in wires]
    for name in names:
        if names.count(name) > 1:
            raise SourceError(f"two channels are called {name!r}")
    built = [wire.channel() for wire in wires]
    columns = tuple(index if wire.column is None else wire.column for index, wire in enumerate(wires))
    return Wiring(
        tuple(channel for channel, _ in built),
        columns,
        tuple(factor for _, factor in built),
        any(wire.column is not None for wire in wires),
        any(factor != 1.0 for _, factor in built),
    )


def wires_from(specs: Iterable[ChannelSpec]) -> list[Wire]:
    """Wires from a rule file's channels, whose ``column`` counts from 1. Raises SourceError."""
    wires = []
    for spec in specs:
        kind = spec.kind or kind_of(spec.name)
        if kind is None:
            raise SourceError(
                f"what channel {spec.name!r} carries cannot be told from its name; say it with `kind:`"
            )
        wires.append(
            Wire(
                spec.name,
                kind,
                None if spec.column is None else spec.column - 1,
                spec.gain,
                spec.reference_voltage,
                spec.bits,
                spec.unit,
                spec.low,
                spec.high,
            )
        )
    return wires


def with_bits(wires: Iterable[Wire], bits: int) -> list[Wire]:
    """Wires of a converter whose resolution the board has told; what the rule file says wins."""
    return [
        replace(wire, bits=bits) if wire.bits is None and wire.unit == "count" else wire for wire in wires
    ]


def _numbers(count: int) -> str:
    return "1 number" if count == 1 else f"{count} numbers"


class Assembler:
    """Gives the samples of a stream their indices, and keeps its clock.

    Text lines carry no numbers (``block``), our own board's frames do (``numbered``).

    After ``reconnected`` and after a stall the next index is the one that is due by the clock: what was
    missed is a jump in ``first``.
    """

    def __init__(self, plan: Wiring, rate_hz: float, counts: SourceCounts, name: str) -> None:
        self.info = StreamInfo(plan.channels, rate_hz)
        self.clock = SampleClock(rate_hz)
        self._plan = plan
        self._counts = counts
        self._name = name
        self._next = 0
        self._numbering = Numbering(rate_hz)
        self._jump = False
        self._behind_since_s: float | None = None
        self._least_behind = 0.0
        self._arrivals: tuple[list[int], list[float]] | None = ([], [])
        self._trusted = False
        self._last_s: float | None = None  # when rows last came
        self._pace_s = 0.0
        self._kept: list[Sequence[float]] = []  # rows since a silence that ended at the time below
        self._kept_since_s: float | None = None

    def numbered(self, samples: Sequence[Sample], received_s: float) -> list[Block]:
        """Samples that carry their number and arrived together, as blocks without a gap in them."""

        def due() -> float | None:
            return self.clock.index_at(received_s) if self.clock.started else None

        placed: list[tuple[int, tuple[int, ...]]] = []
        for sample in samples:
            placed.extend(self._numbering.place(sample.number, sample.values, due))
        blocks: list[Block] = []
        start = 0
        for position in range(1, len(placed) + 1):
            if position < len(placed) and placed[position][0] == placed[position - 1][0] + 1:
                continue
            first = placed[start][0]
            self._counts.lost_samples += first - self._next
            self._next = placed[position - 1][0] + 1
            self._counts.samples += position - start
            rows = [values for _, values in placed[start:position]]
            blocks.append(self._plan.block(rows, first, received_s))
            start = position
        if blocks:
            self.clock.update(self._next - 1, received_s)
        return blocks

    def restarted(self) -> None:
        """The board's own numbering began anew."""
        self._numbering.restarted()

    def reconnected(self) -> None:
        self._jump = self.clock.started
        self._behind_since_s = self._kept_since_s = None
        self._kept = []

    def block(self, rows: Sequence[Sequence[float]], received_s: float) -> Block | None:
        """The rows that arrived together, numbered; None while it is not known whether others were lost."""
        silent_s = 0.0 if self._last_s is None else received_s - self._last_s
        silent = silent_s > max(_SILENT_S, _PACES * self._pace_s)
        self._last_s = received_s
        self._pace_s += 0.05 * (min(silent_s, 0.5) - self._pace_s)
        if silent and self._trusted and not self._jump and self._kept_since_s is None:
            self._kept_since_s = received_s
        after_silence = self._kept_since_s is not None
        if self._kept_since_s is not None:
            self._kept.extend(rows)
            if received_s - self._kept_since_s < _ALL_COME_S:
                return None
            rows, self._kept, self._kept_since_s = self._kept, [], None
        count = len(rows)
        if self.clock.started:
            behind = self.clock.index_at(received_s) - (self._next + count - 1)
            if self._jump:
                self._skip(behind)
                self._jump = False
            elif after_silence:
                if behind > 0.5 * _SILENT_S * self.info.rate:
                    self._skip(behind)
                self._behind_since_s = None
            elif self._trusted:
                self._watch(behind, received_s)
        block = self._plan.block(rows, self._next, received_s)
        self._next += count
        self._counts.samples += count
        if self._behind_since_s is None:
            self.clock.update(self._next - 1, received_s)
        if self._arrivals is not None:
            self._check_rate(received_s)
        return block

    def _skip(self, samples: float) -> None:
        missed = round(samples)
        if missed > 0:
            self._next += missed
            self._counts.lost_samples += missed

    def _watch(self, behind: float, received_s: float) -> None:
        """Late samples catch up; lost ones do not."""
        if behind < _BEHIND_S * self.info.rate:
            self._behind_since_s = None
        elif self._behind_since_s is None:
            self._behind_since_s, self._least_behind = received_s, behind
        else:
            self._least_behind = min(self._least_behind, behind)
            if received_s - self._behind_since_s > _BEHIND_FOR_S:
                log.warning(
                    "%s: %.1f s of samples are missing", self._name, self._least_behind / self.info.rate
                )
                self._skip(self._least_behind)
                self._behind_since_s = None

    def _check_rate(self, received_s: float) -> None:
        """After a few seconds, compare the rate with the stated one; only a right one can show losses."""
        assert self._arrivals is not None
        indices, times = self._arrivals
        indices.append(self._next - 1)
        times.append(received_s)
        if received_s - times[0] < _CHECK_AFTER_S:
            return
        self._arrivals = None
        measured = measured_rate(indices, times)
        if measured is None or abs(measured / self.info.rate - 1) > 0.03:
            if measured is not None:
                log.warning(
                    "%s: samples come at about %g Hz, not %g Hz; correct `rate:`",
                    self._name,
                    measured,
                    self.info.rate,
                )
        else:
            self._trusted = True
