"""Sources of samples, one file each, and the registry that builds one from what a rule file says."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bridge.sources.protocol import Sink, Source, SourceCounts, SourceError

__all__ = ["SOURCES", "Sink", "Source", "SourceCounts", "SourceError", "build"]


def build(spec: Any, *, fast: bool = False) -> Source:
    """The source that a rule file's ``source:`` section describes. Raises SourceError.

    ``fast`` is for recordings and the synthetic person: do not wait for the clock.
    """
    try:
        make = SOURCES[spec.type]
    except KeyError:
        raise SourceError(f"there is no source {spec.type!r}; known: {', '.join(SOURCES)}") from None
    return make(spec, fast)


def _serial(spec: Any, _: bool) -> Source:
    from bridge.sources.serial import SerialSource
    from bridge.sources.wiring import wires_from

    return SerialSource(wires_from(spec.channels), port=spec.port, baud=spec.baud, rate_hz=spec.rate)


def _replay(spec: Any, fast: bool) -> Source:
    from bridge.recordings import ChannelChoice
    from bridge.sources.replay import ReplaySource

    channels = [ChannelChoice(channel.name, channel.kind) for channel in spec.channels or ()]
    return ReplaySource(spec.file, rate_hz=spec.rate, channels=channels or None, fast=fast)


def _synthetic(spec: Any, fast: bool) -> Source:
    from bridge.sources.synthetic import SyntheticSource

    return SyntheticSource(spec.seed, spec.rate, fast=fast)


def _network(spec: Any, _: bool) -> Source:
    from bridge.sources.network import NetworkSource
    from bridge.sources.wiring import wires_from

    return NetworkSource(
        wires_from(spec.channels),
        protocol=spec.protocol,
        host=spec.host,
        port=spec.port,
        rate_hz=spec.rate,
        address=getattr(spec, "address", None),
    )


def _lsl(spec: Any, _: bool) -> Source:
    from bridge.sources.lsl import LslSource
    from bridge.sources.wiring import wires_from

    return LslSource(spec.name, wires_from(spec.channels) if spec.channels else None)


# Adding a source: one file with a class as in `protocol.py`, a builder, and a line here.
SOURCES: dict[str, Callable[[Any, bool], Source]] = {
    "serial": _serial,
    "replay": _replay,
    "synthetic": _synthetic,
    "network": _network,
    "lsl": _lsl,
}
