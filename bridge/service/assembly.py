"""From a rule file's parts to what the daemon runs: sources, the pipeline, outputs."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from bridge.detectors import DETECTORS
from bridge.pipeline import (
    Binding,
    BindingError,
    DetectionChain,
    Pipeline,
    RuleEngine,
    Wanted,
    bind,
    can_bind,
)
from bridge.service.rule_watch import RefusedRulesError
from bridge.signals.types import StreamInfo

if TYPE_CHECKING:
    from bridge.calibration.profile import Profile
    from bridge.rules.schema import DetectorSpec, RuleFile


def kinds_heard(rules: RuleFile) -> set[str]:
    """The event and level kinds that the rules listen to."""
    from bridge.rules.conditions import LevelCondition
    from bridge.rules.links import filters_of

    heard = {level.level for level in rules.levels}
    for rule in rules.rules:
        heard |= {one.event for _, one in filters_of(rule.when)}
        if isinstance(rule.when, LevelCondition):
            heard.add(rule.when.level)
    return heard


def all_kinds(infos: Mapping[str, StreamInfo]) -> set[str]:
    """What every detector gives that can work on these streams: for looking on, without rules."""
    kinds: set[str] = set()
    for info in infos.values():
        for name, type_ in DETECTORS.items():
            if can_bind(info, name):
                with contextlib.suppress(BindingError):  # a sampling rate that does not suit it
                    for binding in bind(info, [Wanted(name)]):
                        binding.create(info)
                    kinds |= type_.tells
    return kinds


def detectors_for(kinds: Iterable[str]) -> list[str]:
    """The detectors that give any of these event or level kinds."""
    wanted = set(kinds)
    return [name for name, type_ in DETECTORS.items() if wanted & type_.tells]


def bindings_for(
    infos: Mapping[str, StreamInfo],
    specs: Sequence[DetectorSpec],
    kinds: Iterable[str],
    profile: Profile | None = None,
) -> dict[str, list[Binding]]:
    """Which detectors work on which stream.

    ``specs`` are a rule file's ``detectors:``; what they do not cover of ``kinds`` (the events and levels
    that rules listen to) is bound by the channels' kinds, on every stream that has such channels. Raises
    BindingError when a detector that is asked for or needed finds no channel, or the profile does not hold
    for it; a rule file's own settings win over the profile's.
    """
    bound: dict[str, list[Binding]] = {name: [] for name in infos}
    for spec in specs:
        request = Wanted(spec.detector, spec.name or "", spec.channel_names, dict(spec.settings))
        for stream in _streams_for(spec, infos):
            bound[stream].extend(bind(infos[stream], [request]))
    named = {spec.detector for spec in specs}
    for detector in detectors_for(kinds):
        if detector in named:
            continue
        streams = [stream for stream, info in infos.items() if can_bind(info, detector)]
        for stream in streams or list(infos)[:1]:
            bound[stream].extend(bind(infos[stream], [Wanted(detector)]))
    if profile is not None:
        bound = {
            stream: [binding.fitted(infos[stream], profile) for binding in bindings]
            for stream, bindings in bound.items()
        }
    return bound


def _streams_for(spec: DetectorSpec, infos: Mapping[str, StreamInfo]) -> list[str]:
    if spec.source is not None:
        if spec.source not in infos:
            raise BindingError(
                f"detector {spec.detector!r} asks for source {spec.source!r}, which is not there"
            )
        return [spec.source]
    if spec.channel_names:
        carrying = [
            stream
            for stream, info in infos.items()
            if {channel.name for channel in info.channels} >= set(spec.channel_names)
        ]
    else:
        carrying = [stream for stream, info in infos.items() if can_bind(info, spec.detector)]
    # Where none carries it, binding to the first explains what is missing.
    return carrying or list(infos)[:1]


def pipeline_for(
    infos: Mapping[str, StreamInfo], bound: Mapping[str, Sequence[Binding]], engine: RuleEngine
) -> Pipeline:
    """Raises BindingError when a sampling rate or setting does not suit a detector."""
    return Pipeline({name: DetectionChain(info, bound[name]) for name, info in infos.items()}, engine)


def unfitted(rules: RuleFile, bound: Mapping[str, Sequence[Binding]]) -> str:
    """What to say where rules ask for deliberate blinks and nothing tells which are; else empty."""
    from bridge.rules.explain import needs_profile

    names = needs_profile(rules)
    blinks = [one for bindings in bound.values() for one in bindings if one.type.name == "blink"]
    if not names or all(one.settings.get("deliberate_threshold") is not None for one in blinks):
        return ""
    listed = ", ".join(f"“{name}”" for name in names)
    return (
        f"no profile tells which blinks are deliberate; until height alone can, nothing happens in {listed}: "
        "make one with `biosignal-bridge calibrate --detector blink`"
    )


def check_same_devices(old: RuleFile, new: RuleFile) -> None:
    """A running daemon keeps its sources and outputs. Raises RefusedRulesError when they have changed."""
    for part, before, after in (
        ("source", old.all_sources, new.all_sources),
        ("outputs", dict(old.outputs), dict(new.outputs)),
    ):
        if before != after:
            raise RefusedRulesError(f"`{part}` has changed: start the daemon anew to use that")
