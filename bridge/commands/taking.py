"""Where a run takes its samples from: the rule file's source, another in its place, or what is plugged in."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from bridge.signals.types import ChannelKind
from bridge.sources.protocol import Source, SourceError

if TYPE_CHECKING:
    from bridge.recordings import ChannelChoice
    from bridge.rules.schema import RuleFile
    from bridge.sources.tuning import Heard
    from bridge.sources.wiring import Wire

# What a channel of an unknown board is taken for until --kind says it.
ASSUMED_KIND: ChannelKind = "eeg"


def other_source(
    what: str, rules: RuleFile, choices: Sequence[ChannelChoice], rate_hz: float | None, *, fast: bool
) -> Source:
    """``synthetic``, ``auto`` or a port, with the channels that were named, else those of the rule file.

    Raises SourceError or click.UsageError.
    """
    from bridge.sources import serial, synthetic
    from bridge.sources.wiring import wires_from

    specs = list(rules.all_sources.values())
    own = () if choices or len(specs) != 1 else specs[0].channels
    if what == "synthetic":
        wanted = [(choice.name, choice.kind) for choice in choices] or [(c.name, c.kind) for c in own]
        return synthetic.SyntheticSource(rate_hz=rate_hz or synthetic.RATE_HZ, channels=wanted, fast=fast)
    if fast:
        raise click.UsageError("--fast needs a recording or the synthetic person, not a port")
    wires = wires_of(choices) if choices else wires_from(own)
    if not wires:
        raise click.UsageError(f"say what {what} sends: --channel NAME and --kind KIND, in the order sent")
    return serial.SerialSource(wires, port=what, rate_hz=rate_hz)


def wires_of(choices: Sequence[ChannelChoice]) -> list[Wire]:
    """What a port sends, as named on the command line. Raises click.UsageError."""
    from bridge.recordings.kinds import kind_of
    from bridge.sources.wiring import Wire

    wires = []
    for choice in choices:
        kind = choice.kind or kind_of(choice.name)
        if kind is None:
            raise click.UsageError(f"what channel {choice.name!r} carries is not clear; say it with --kind")
        wires.append(Wire(choice.name, kind))
    return wires


def assumed_channels(columns: int) -> list[ChannelChoice]:
    """A channel for each number that a board sends, and a word on what they are taken for."""
    from bridge.recordings import ChannelChoice

    click.echo(
        f"What the board's {columns} {'channel carries' if columns == 1 else 'channels carry'} is not known: "
        f"shown as {ASSUMED_KIND}. Say it, as in --channel arm --kind emg, once for each in the order sent.",
        err=True,
    )
    return [ChannelChoice(f"channel-{number}", ASSUMED_KIND) for number in range(1, columns + 1)]


def plugged_in(what: str) -> Heard:
    """Listen to the named port, or to all, and return the one that sends. Raises SourceError."""
    from bridge.sources.serial_ports import list_ports, port_named
    from bridge.sources.tuning import survey

    ports = list_ports() if what == "auto" else [port_named(what)]

    async def survey_all() -> list[Heard]:
        return list(await asyncio.gather(*(survey(port, measure_s=0.0) for port in ports)))

    hint = "to look at a made-up person instead, give --source synthetic"
    if not ports:
        raise SourceError(f"no serial port was found: plug a board in, with a data cable; {hint}")
    heard = asyncio.run(survey_all())
    sending = [item for item in heard if item.columns is not None]
    if not sending:
        said = "; ".join(f"{item.port.device}: {item.problem or 'it sends nothing'}" for item in heard)
        raise SourceError(f"no port sends samples ({said}); {hint}")
    if len(sending) > 1:
        names = ", ".join(item.port.device for item in sending)
        raise SourceError(f"several ports send samples: name one by --source: {names}")
    return sending[0]
