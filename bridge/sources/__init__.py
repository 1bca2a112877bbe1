"""Sources of samples, one file each, and the registry that builds one from what a rule file says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge.sources.protocol import Sink, Source, SourceCounts, SourceError

if TYPE_CHECKING:
    from bridge.rules.schema import (
        LslSource,
        NetworkSource,
        ReplaySource,
        SerialSource,
        SourceSpec,
        SyntheticSource,
    )

__all__ = ["SOURCES", "Sink", "Source", "SourceCounts", "SourceError", "build"]


def build(spec: SourceSpec, *, fast: bool = False, folder: str | Path | None = None) -> Source:
    """The source that a rule file's ``source:`` section describes. Raises SourceError.

    ``fast`` is for recordings and the synthetic person: do not wait for the clock. ``folder`` is where a
    recording's name starts from: the rule file's folder.
    """
    try:
        make = SOURCES[spec.type]
    except KeyError:
        raise SourceError(f"there is no source {spec.type!r}; known: {', '.join(SOURCES)}") from None
    return make(spec, fast, Path(folder) if folder is not None else Path())


def _serial(spec: SerialSource, _: bool, __: Path) -> Source:
    from bridge.sources import serial
    from bridge.sources.wiring import wires_from

    baud = None if spec.baud == "auto" else spec.baud
    return serial.SerialSource(wires_from(spec.channels), port=spec.port, baud=baud, rate_hz=spec.rate)


def _replay(spec: ReplaySource, fast: bool, folder: Path) -> Source:
    from bridge.sources import replay

    path = folder / spec.file
    # A link in a folder from somebody else may lead anywhere.
    if not path.resolve().is_relative_to(folder.resolve()):
        raise SourceError(f"{path} leads out of the rule file's folder; give it with --replay instead")
    return replay.ReplaySource(path, rate_hz=spec.rate, specs=spec.channels, fast=fast)


def _synthetic(spec: SyntheticSource, fast: bool, _: Path) -> Source:
    from bridge.sources import synthetic

    mains_hz = 50.0 if spec.mains_hz in ("auto", None) else float(spec.mains_hz)
    return synthetic.SyntheticSource(
        spec.seed,
        spec.rate or synthetic.RATE_HZ,
        mains_hz=mains_hz,
        channels=[(channel.name, channel.kind) for channel in spec.channels],
        fast=fast,
        reliability=spec.reliability,
    )


def _network(spec: NetworkSource, _: bool, __: Path) -> Source:
    from bridge.sources import admission, network
    from bridge.sources.wiring import wires_from

    wires = wires_from(spec.channels)
    osc = spec.format == "osc"
    if spec.protocol == "unix":
        from bridge.sources.local_socket import socket_path

        return network.NetworkSource(
            wires,
            protocol="osc" if osc else "unix",
            path=socket_path(spec.socket or "samples"),
            rate_hz=spec.rate,
            admission=admission.ANYONE,
        )
    assert spec.port is not None  # the schema asks for it
    return network.NetworkSource(
        wires,
        protocol="osc" if osc else spec.protocol,
        host=spec.listen,
        port=spec.port,
        rate_hz=spec.rate,
        admission=admission.admission(
            spec.listen,
            spec.port,
            protocol=spec.protocol,
            login=spec.login,
            anyone=spec.anyone_on_this_computer,
        ),
    )


def _lsl(spec: LslSource, _: bool, __: Path) -> Source:
    from bridge.sources import lsl
    from bridge.sources.wiring import wires_from

    return lsl.LslSource(spec.name, wires_from(spec.channels) or None)


# Adding a source: one file with a class as in `protocol.py`, a builder, and a line here.
SOURCES: dict[str, Callable[[Any, bool, Path], Source]] = {
    "serial": _serial,
    "replay": _replay,
    "synthetic": _synthetic,
    "network": _network,
    "lsl": _lsl,
}
