"""Options of commands that listen to a source: `check` and `record`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.commands.recording_options import InvalidInput, channel_choices
from bridge.commands.taking import wires_of
from bridge.recordings import is_recording
from bridge.signals.types import CHANNEL_KINDS, ChannelKind

if TYPE_CHECKING:
    from bridge.sources.protocol import Source

_Command = TypeVar("_Command", bound=Callable[..., Any])

_RULE_FILES = {".yaml", ".yml"}

_OPTIONS = (
    click.option(
        "--source",
        "what",
        default="auto",
        show_default=True,
        metavar="WHAT",
        help="A serial port's name, `synthetic`, a recording, or a rule file whose source is meant; "
        "`auto` finds the port.",
    ),
    click.option(
        "--channel", "channels", multiple=True, metavar="NAME", help="A channel, in order; repeat it."
    ),
    click.option(
        "--kind",
        "kinds",
        multiple=True,
        type=click.Choice(CHANNEL_KINDS),
        help="What the channels carry, where their names do not say it: once for all, or once each.",
    ),
    click.option("--rate", type=click.FloatRange(min=0, min_open=True), metavar="HZ", help="Sampling rate."),
    click.option(
        "--baud", type=click.IntRange(min=300), help="Baud rate of a serial port; tried if not given."
    ),
    click.option("--fast", is_flag=True, help="Do not wait for the clock (recordings, synthetic)."),
    click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout."),
)


def live_options(command: _Command) -> _Command:
    """The shared options, in the order of ``_OPTIONS``."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def live_source(
    what: str,
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    baud: int | None,
    fast: bool,
    reliability: float | None = None,
) -> Source:
    """What ``--source`` names; ``reliability`` is that of the synthetic person at a calibration.

    Raises SourceError, InvalidInput or click.UsageError."""
    suffix = Path(what).suffix.lower()
    if suffix in _RULE_FILES:
        if reliability is not None:
            raise click.UsageError("--reliability is for --source synthetic; a rule file says `reliability`")
        return _of_rule_file(Path(what), channels, fast)
    if what == "synthetic":
        from bridge.sources.synthetic import RELIABILITY, SyntheticSource

        follows = RELIABILITY if reliability is None else reliability
        return SyntheticSource(rate_hz=rate or 250.0, fast=fast, reliability=follows)
    if reliability is not None:
        raise click.UsageError("--reliability is for --source synthetic")
    if is_recording(what):
        from bridge.sources.replay import ReplaySource

        return ReplaySource(what, rate_hz=rate, channels=channel_choices(channels, kinds), fast=fast)
    from bridge.sources.serial import SerialSource

    if not channels:
        raise click.UsageError(
            "say what the port sends with --channel NAME and --kind KIND, in the order sent"
        )
    wires = wires_of(channel_choices(channels, kinds) or ())
    return SerialSource(wires, port=what, baud=baud, rate_hz=rate)


def _of_rule_file(path: Path, channels: tuple[str, ...], fast: bool) -> Source:
    """The one source of a rule file, as `run` would open it. Raises SourceError or InvalidInput."""
    from bridge.rules.loader import RuleFileErrors, load
    from bridge.service.rule_watch import read_rule_file
    from bridge.sources import build

    try:
        rules = load(read_rule_file(path), str(path)).rules
    except OSError as error:
        raise InvalidInput(f"{path}: cannot be read ({error.strerror})") from error
    except RuleFileErrors as error:
        raise InvalidInput(str(error)) from error
    if channels:
        raise click.UsageError(f"{path} says which channels there are; leave --channel out")
    sources = rules.all_sources
    if len(sources) != 1:
        raise InvalidInput(f"{path}: it has {len(sources)} sources, one is needed here")
    return build(next(iter(sources.values())), fast=fast, folder=path.parent)
