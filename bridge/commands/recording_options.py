"""Options that `detect` and `evaluate` share: which recording, which of its channels, which settings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.extras import need
from bridge.signals.types import CHANNEL_KINDS, ChannelKind

if TYPE_CHECKING:
    from bridge.calibration.profile import Profile
    from bridge.evaluation.tasks import Material
    from bridge.recordings import ChannelChoice

_Command = TypeVar("_Command", bound=Callable[..., Any])


def complete_detectors(_: click.Context, __: click.Parameter, begun: str) -> list[str]:
    """For a shell's completion: detectors whose name begins so."""
    from bridge.detectors import DETECTORS

    return [name for name in DETECTORS if name.startswith(begun)]


_OPTIONS = (
    click.option(
        "--detector",
        required=True,
        metavar="NAME",
        help="blink, gaze, contraction, heartbeat, …",
        shell_complete=complete_detectors,
    ),
    click.option(
        "--channel",
        "channels",
        multiple=True,
        metavar="NAME",
        help="A channel to use; may be given again, and may hold * for several.",
    ),
    click.option(
        "--kind",
        "kinds",
        multiple=True,
        type=click.Choice(CHANNEL_KINDS),
        help="What the named channels carry, where their names do not say it: once for all, or once each.",
    ),
    click.option(
        "--rate",
        type=click.FloatRange(min=0, min_open=True),
        metavar="HZ",
        help="Sampling rate of a CSV file without a time column.",
    ),
    click.option(
        "--profile",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="A person's profile; without it the detector scales itself from the first seconds.",
    ),
    click.option("--json", "as_json", is_flag=True, help="JSON on stdout."),
)


class InvalidInput(click.ClickException):
    """A file or option that cannot be used."""

    exit_code = 2


def source_failure(error: Exception) -> click.ClickException:
    """What a source's error ends a command with: 2 for a file or option that cannot be, 1 for all else.

    A port that is not there, or falls silent, is a failure in any command and no wrong use.
    """
    wrong = isinstance(error.__cause__, ValueError)  # RecordingError is one
    return InvalidInput(str(error)) if wrong else click.ClickException(str(error))


def recording_options(command: _Command) -> _Command:
    """The shared options, in the order of ``_OPTIONS``."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def channel_choices(channels: Sequence[str], kinds: Sequence[ChannelKind]) -> list[ChannelChoice] | None:
    """What to ask of the recording. Raises click.UsageError when kinds and channels do not pair up."""
    from bridge.recordings import ChannelChoice

    if not channels and not kinds:
        return None
    names = list(channels) or ["*"]
    each: list[ChannelKind | None] = list(kinds) or [None]
    if len(each) == 1:
        each *= len(names)
    if len(each) != len(names):
        raise click.UsageError("give --kind once for all channels, or once for each --channel")
    return [ChannelChoice(name, kind) for name, kind in zip(names, each, strict=True)]


def needing(extra: str) -> Callable[[click.Context, click.Parameter, Any], Any]:
    """For an option that needs an extra when it is given. Raises MissingExtraError."""

    def check(_context: click.Context, parameter: click.Parameter, value: Any) -> Any:
        if value is not None and value is not False:
            need(extra, parameter.opts[0])
        return value

    return check


def open_profile(path: Path | None) -> Profile | None:
    """The profile, or none where none is named. Raises InvalidInput."""
    if path is None:
        return None
    from bridge.calibration.profile import ProfileError
    from bridge.recordings.profile_file import read_profile_file

    try:
        return read_profile_file(path)
    except ProfileError as error:
        raise InvalidInput(str(error)) from error


def materials(
    recordings: Sequence[Path],
    channels: Sequence[str],
    kinds: Sequence[ChannelKind],
    rate_hz: float | None,
    profile: Profile | None = None,
) -> list[Material]:
    """What the options say of each recording. Raises MissingExtraError."""
    from bridge.evaluation.tasks import Material
    from bridge.recordings import check_readers

    check_readers(recordings)
    choices = channel_choices(channels, kinds)
    chosen = None if choices is None else tuple(choices)
    return [Material(path, rate_hz, chosen, bool(channels), profile) for path in recordings]
