"""Conditioning, detectors and rules joined: blocks in, events and actions out. No input or output here.

``DetectionChain`` turns one stream's blocks into detections, with detectors muted while their signal is
bad. ``Pipeline`` puts the rule engine behind one or more chains.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol, TypeAlias

from bridge.calibration.following import Following
from bridge.detectors import DETECTORS, Detector, DetectorType, SettingsError
from bridge.detectors.surplus import SurplusGate
from bridge.rules.actions import Action
from bridge.signals.figures import Verdict
from bridge.signals.filters import SamplingRateError
from bridge.signals.quality import ChannelQuality
from bridge.signals.types import Block, Detection, Event, StreamInfo, moment
from bridge.suggesting import nearest

if TYPE_CHECKING:
    from bridge.calibration.drift import Bounds
    from bridge.calibration.profile import Profile

# International 10-20 sites behind the frontal ones; blinks are small there.
_NOT_FRONTAL = re.compile(r"(?i)^(?:O|P|PO|C|CP|T|TP|I)(?:z|\d+)$")


class BindingError(ValueError):
    """A detector cannot work on the channels it was given or could find; the message says why."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A detector that is asked for. Without ``channels`` they are found by their kind."""

    detector: str
    name: str = ""
    channels: tuple[str, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Binding:
    """A detector joined to columns of a stream's blocks."""

    type: DetectorType
    name: str
    columns: tuple[int, ...]
    settings: Mapping[str, Any]
    bounds: Bounds | None = None  # within which fitted thresholds follow drift
    most_in_10_s: int | None = None  # events, by the profile; None: the detector's own limit

    def create(self, info: StreamInfo) -> Detector:
        """Raises BindingError when the sampling rate or the settings do not suit the detector."""
        channels = [info.channels[column] for column in self.columns]
        try:
            detector = self.type.create(self.name, channels, info.rate, self.settings)
        except SamplingRateError as error:
            names = ", ".join(channel.name for channel in channels)
            raise BindingError(f"detector {self.name!r} cannot work on {names}: {error}") from error
        except SettingsError as wrong:
            raise BindingError(f"settings of detector {self.name!r}: {wrong}") from wrong
        return detector if self.bounds is None else Following(detector, self.bounds, info.rate)

    def fitted(self, info: StreamInfo, profile: Profile) -> Binding:
        """With what the profile has for it; settings of its own win.

        Raises BindingError when the profile was made at another rate, on another kind of channel or with
        another version of the detector.
        """
        from bridge.calibration.expected import most_in_window
        from bridge.calibration.profile import ProfileError

        part = profile.detectors.get(self.type.name)
        if part is None:
            return self
        channels = [info.channels[column] for column in self.columns]
        try:
            settings = profile.settings_for(self.type.name, channels, info.rate)
        except ProfileError as error:
            raise BindingError(str(error)) from error
        return replace(
            self,
            settings={**settings, **self.settings},
            bounds=part.bounds,
            most_in_10_s=most_in_window(part.evidence, self.type.most_in_10_s),
        )


def bind(info: StreamInfo, wanted: Iterable[Wanted]) -> list[Binding]:
    """Join each wanted detector to channels of the stream. Raises BindingError."""
    bindings: list[Binding] = []
    for request in wanted:
        if request.detector not in DETECTORS:
            meant = nearest(request.detector, DETECTORS)
            mend = f"did you mean {meant!r}?" if meant else f"known: {', '.join(sorted(DETECTORS))}"
            raise BindingError(f"there is no detector {request.detector!r}; {mend}")
        type_ = DETECTORS[request.detector]
        columns = _named(info, type_, request.channels) if request.channels else _found(info, type_)
        if len(columns) > 1 and not type_.many_channels:
            groups: list[tuple[int, ...]] = [(column,) for column in columns]
        else:
            groups = [columns]
        for group in groups:
            name = request.name or type_.name
            if len(groups) > 1:
                name = f"{name}-{info.channels[group[0]].name}"
            bindings.append(Binding(type_, name, group, request.settings))
    return bindings


def can_bind(info: StreamInfo, detector: str) -> bool:
    """Does the stream carry a channel that this detector works on?"""
    return detector in DETECTORS and bool(_matching(info, DETECTORS[detector]))


def _named(info: StreamInfo, type_: DetectorType, names: Sequence[str]) -> tuple[int, ...]:
    columns = []
    for name in names:
        column = next((i for i, channel in enumerate(info.channels) if channel.name == name), None)
        if column is None:
            carried = ", ".join(channel.name for channel in info.channels)
            raise BindingError(
                f"detector {type_.name!r} asks for channel {name!r}; the source has: {carried}"
            )
        kind = info.channels[column].kind
        if kind not in type_.kinds:
            raise BindingError(
                f"detector {type_.name!r} works on {' or '.join(type_.kinds)}; channel {name!r} is {kind}"
            )
        columns.append(column)
    return tuple(columns)


def _found(info: StreamInfo, type_: DetectorType) -> tuple[int, ...]:
    columns = _matching(info, type_)
    if not columns:
        carried = ", ".join(f"{channel.name} ({channel.kind})" for channel in info.channels)
        raise BindingError(
            f"detector {type_.name!r} needs a channel of kind {' or '.join(type_.kinds)}; "
            f"the source has: {carried}"
        )
    return columns


def _matching(info: StreamInfo, type_: DetectorType) -> tuple[int, ...]:
    """Columns of the detector's kinds; its first kind wins where a detector prefers one (blinks: EOG)."""
    by_kind = {
        kind: tuple(i for i, channel in enumerate(info.channels) if channel.kind == kind)
        for kind in type_.kinds
    }
    if type_.name in ("blink", "drowsiness"):
        frontal = tuple(i for i in by_kind.get("eeg", ()) if not _NOT_FRONTAL.match(info.channels[i].name))
        return by_kind.get("eog-vertical", ()) or frontal or by_kind.get("eeg", ())
    return tuple(sorted(column for columns in by_kind.values() for column in columns))


# From this sample index on this column is so, and why.
_Turn: TypeAlias = tuple[int, int, Verdict, str]


class DetectionChain:
    """Signal quality and detectors over one stream.

    ``start_s`` shifts the stream's sample time on to the clock that several streams share.
    """

    def __init__(
        self, info: StreamInfo, bindings: Sequence[Binding], *, start_s: float = 0.0, mute: bool = True
    ) -> None:
        self.info = info
        self.start_s = start_s
        self.bindings: tuple[Binding, ...] = ()
        self.detectors: tuple[Detector, ...] = ()
        self.quality = tuple(ChannelQuality(channel, info.rate) for channel in info.channels)
        self._mute = mute
        self._bad = [False] * len(info.channels)
        self._stopped = False
        self._lost_at = 0
        self._views: list[slice | list[int] | None] = []
        self._gates: tuple[SurplusGate, ...] = ()
        self.rebind(bindings)

    def rebind(self, bindings: Sequence[Binding]) -> list[Detection]:
        """Work with these bindings from now on; detectors that stay keep what they have learnt.

        Returns what ends with the detectors that go. Raises BindingError and changes nothing when one cannot
        be made.
        """
        had = dict(zip(map(_key, self.bindings), self.detectors, strict=True))
        gates = dict(zip(map(_key, self.bindings), self._gates, strict=True))
        keys = [_key(binding) for binding in bindings]
        detectors = tuple(
            had[key] if key in had else binding.create(self.info)
            for key, binding in zip(keys, bindings, strict=True)
        )
        ended = [item for key, detector in had.items() if key not in keys for item in detector.flush()]
        self.bindings = tuple(bindings)
        self.detectors = detectors
        self._views = [_columns(binding.columns, len(self.info.channels)) for binding in bindings]
        self._gates = tuple(
            gates.get(key) or SurplusGate(binding.most_in_10_s or binding.type.most_in_10_s)
            for key, binding in zip(keys, bindings, strict=True)
        )
        return self._shifted(sorted(ended, key=moment))

    def process(self, block: Block) -> list[Detection]:
        """The next block, shape (n, channels); returns what was decided, in order of time."""
        return [item for part in self.steps(block) for item in part]

    def steps(self, block: Block) -> Iterator[list[Detection]]:
        """The same in parts, each as soon as it is known.

        A board sends sample by sample; what one detector finds in a sample need not wait for the others.
        """
        if len(block) == 0:
            return
        changes = self._check(block)
        if len(block) > 1 or changes or self._stopped or any(self._bad):
            yield self._whole(block, changes)
            return
        for number in range(len(self.detectors)):
            found = self._hear(number, block)
            if found:
                found.sort(key=moment)
                yield self._shifted(found)

    def _check(self, block: Block) -> list[_Turn]:
        """Where a channel's verdict turned."""
        changes: list[_Turn] = []
        first, row = block.first, block.row
        for column, quality in enumerate(self.quality):
            if row is not None:
                turns = quality.step(row[column], first)
            else:
                turns = quality.process(block.samples[:, column], first)
            if turns:
                changes.extend((turn.index, column, turn.verdict, turn.reason) for turn in turns)
        return changes

    def _hear(self, number: int, block: Block) -> list[Detection]:
        """What passes of a detector that is not muted."""
        view = self._views[number]
        part = block if view is None else block.part(view)
        return self._gated(number, self.detectors[number].process(part), block.end)

    def _whole(self, block: Block, changes: list[_Turn]) -> list[Detection]:
        """What all detectors find in a block, in order of time."""
        found: list[Detection] = []
        if self._stopped:
            self._stopped = False
            back = max(block.first, self._lost_at)  # a clock that was estimated may place it a little early
            # The gap that it leaves is known already; a channel with more to say is back when it is fine.
            for change in [each for each in changes if each[0] <= back and each[2] is Verdict.BAD]:
                changes.remove(change)
                self._bad[change[1]] = True
            found.extend(
                self._signal_event("signal-back", back, column, "samples again")
                for column, bad in enumerate(self._bad)
                if not bad
            )
        if changes or any(self._bad):
            changes.sort(key=lambda change: change[:2])
            found.extend(self._process_with_mutes(block, changes))
        else:
            for number in range(len(self.detectors)):
                found.extend(self._hear(number, block))
        if len(found) > 1:
            found.sort(key=moment)
        return self._shifted(found)

    def _process_with_mutes(self, block: Block, changes: Sequence[_Turn]) -> list[Detection]:
        """Cut the block where a channel turned bad or good again, so that block sizes make no difference."""
        found: list[Detection] = []
        before = tuple(self._bad)
        turned: list[tuple[int, int, bool]] = []
        for index, column, verdict, reason in changes:
            bad = verdict is Verdict.BAD
            if bad != self._bad[column]:
                self._bad[column] = bad
                turned.append((index, column, bad))
                found.append(
                    self._signal_event("signal-lost" if bad else "signal-back", index, column, reason)
                )
        for number, (detector, binding) in enumerate(zip(self.detectors, self.bindings, strict=True)):
            view = self._views[number]
            state = list(before)
            position = block.first
            cuts = [turn for turn in turned if turn[1] in binding.columns]
            for index, column, bad in [*cuts, (block.end, -1, False)]:
                muted = self._mute and any(state[own] for own in binding.columns)
                if index > position and not muted:
                    rows = slice(position - block.first, index - block.first)
                    samples = block.samples[rows] if view is None else block.samples[rows, view]
                    part = Block(samples, position, block.received)
                    found.extend(self._gated(number, detector.process(part), index))
                position = max(position, index)
                if column >= 0:
                    state[column] = bad
                    if bad and not muted and self._mute:
                        found.extend(self._gated(number, detector.flush(), index))
        return found

    def _gated(self, number: int, items: list[Detection], end: int) -> list[Detection]:
        """What passes a detector's gate, up to the sample before ``end``; its turns are signal events."""
        gate, binding = self._gates[number], self.bindings[number]
        if not items and not gate.shut:
            return items
        passed, turns = gate.take(items, (end - 1) / self.info.rate)
        channel = "+".join(self.info.channels[column].name for column in binding.columns)
        for at_s, shut in turns:
            kind = "signal-lost" if shut else "signal-back"
            expected = "a body makes" if binding.most_in_10_s is None else "the profile expects"
            note = f"more {binding.name} events than {expected}" if shut else "few enough events again"
            passed.append(Event(kind, "instant", at_s, at_s, channel, detector=binding.name, note=note))
        return passed

    def lose(self, time_s: float, note: str) -> list[Detection]:
        """The samples have stopped (port closed, cable out): end what is open and say so for each channel.

        ``time_s`` is on the shared clock. The first block after it brings ``signal-back``.
        """
        if self._stopped:
            return []
        self._stopped = True
        index = self._lost_at = round((time_s - self.start_s) * self.info.rate)
        found: list[Detection] = []
        for detector in self.detectors:
            found.extend(detector.flush())
        found.extend(
            self._signal_event("signal-lost", index, column, note)
            for column, bad in enumerate(self._bad)
            if not bad
        )
        return self._shifted(found)

    def flush(self) -> list[Detection]:
        """The stream has ended: end what is open."""
        found = [item for detector in self.detectors for item in detector.flush()]
        found.sort(key=moment)
        return self._shifted(found)

    def _signal_event(self, kind: str, index: int, column: int, note: str) -> Event:
        time_s = index / self.info.rate
        return Event(kind, "instant", time_s, time_s, self.info.channels[column].name, note=note)

    def _shifted(self, found: list[Detection]) -> list[Detection]:
        if not self.start_s:
            return found
        return [
            replace(item, onset=item.onset + self.start_s, decided=item.decided + self.start_s)
            if isinstance(item, Event)
            else replace(item, time=item.time + self.start_s)
            for item in found
        ]


def _key(binding: Binding) -> tuple[Any, ...]:
    return binding.type.name, binding.name, binding.columns, tuple(sorted(binding.settings.items()))


def _columns(columns: tuple[int, ...], width: int) -> slice | list[int] | None:
    """How to index a block for these columns: None for all of them, a slice (no copy) where possible."""
    if columns == tuple(range(width)):
        return None
    first, last = columns[0], columns[-1]
    return slice(first, last + 1) if columns == tuple(range(first, last + 1)) else list(columns)


class RuleEngine(Protocol):
    """What the pipeline needs of the engine in ``bridge.rules``."""

    def process(self, detection: Detection) -> list[Action]: ...

    def advance(self, time: float) -> list[Action]: ...

    def pause(self) -> list[Action]: ...

    def resume(self) -> list[Action]: ...

    def keep_paused(self, kept: bool) -> None: ...

    def release(self, time: float) -> list[Action]: ...

    def reload(self, rules: Any) -> list[Action]: ...


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one block led to."""

    detections: list[Detection]
    actions: list[Action]


class Pipeline:
    """One or more detection chains, by stream name, and the rule engine behind them."""

    def __init__(self, chains: Mapping[str, DetectionChain], engine: RuleEngine) -> None:
        self.chains = dict(chains)
        self.engine = engine

    def process(self, block: Block, stream: str = "") -> Outcome:
        """The next block of a stream; the engine's clock moves to the block's last sample."""
        whole = Outcome([], [])
        for outcome in self.steps(block, stream):
            whole.detections.extend(outcome.detections)
            whole.actions.extend(outcome.actions)
        return whole

    def steps(self, block: Block, stream: str = "") -> Iterator[Outcome]:
        """The same in parts, each as soon as it is known; parts to which nothing led are left out."""
        if len(block) == 0:
            return
        chain = self.chains[stream]
        for found in chain.steps(block):
            yield self.take(found)
        actions = self.engine.advance(chain.start_s + (block.end - 1) / chain.info.rate)
        if actions:
            yield Outcome([], actions)

    def take(self, detections: list[Detection]) -> Outcome:
        """Put detections that are in order of time through the rules."""
        actions: list[Action] = []
        for detection in detections:
            actions.extend(self.engine.process(detection))
        return Outcome(detections, actions)

    def advance(self, time_s: float) -> list[Action]:
        """No samples came, but time has passed: waits, holds and absences still end."""
        return self.engine.advance(time_s)

    def pause(self) -> list[Action]:
        """Stop every rule; returns what lets go of held things and the safe values."""
        return self.engine.pause()

    def resume(self) -> list[Action]:
        return self.engine.resume()

    def keep_paused(self, kept: bool) -> None:
        """Whether rules that resume may do so."""
        self.engine.keep_paused(kept)

    def lose(self, time_s: float, note: str, stream: str = "") -> Outcome:
        """The stream's samples have stopped at ``time_s`` on the shared clock."""
        return self.take(self.chains[stream].lose(time_s, note))

    def change_rules(self, rules: Any, bound: Mapping[str, Sequence[Binding]]) -> Outcome:
        """Other rules take over, with the detectors they need; what was held is let go.

        Raises BindingError and changes nothing when a detector cannot be made.
        """
        fresh = {
            name: [binding for binding in bindings if binding not in self.chains[name].bindings]
            for name, bindings in bound.items()
        }
        for name, bindings in fresh.items():
            for binding in bindings:
                binding.create(self.chains[name].info)
        found = [item for name, bindings in bound.items() for item in self.chains[name].rebind(bindings)]
        outcome = self.take(found)
        outcome.actions.extend(self.engine.reload(rules))
        return outcome

    def end(self, time_s: float) -> Outcome:
        """Everything ends at ``time_s``: open events end, held things are let go, safe values go out."""
        found = [item for chain in self.chains.values() for item in chain.flush()]
        found.sort(key=moment)
        outcome = self.take(found)
        outcome.actions.extend(self.engine.release(time_s))
        return outcome
