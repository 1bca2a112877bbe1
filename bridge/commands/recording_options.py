"""Options that `detect` and `evaluate` share: which recording, which of its channels, which settings."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.signals.types import CHANNEL_KINDS, ChannelKind

if TYPE_CHECKING:
    from bridge.calibration.profile import Profile
    from bridge.pipeline import Binding
    from bridge.recordings import ChannelChoice, Recording

_Command = TypeVar("_Command", bound=Callable[..., Any])

_OPTIONS = (
    click.option("--detector", required=True, metavar="NAME", help="blink, gaze, contraction, heartbeat, …"),
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


def open_recording(path: Path, rate: float | None, choices: list[ChannelChoice] | None) -> Recording:
    """Raises InvalidInput."""
    from bridge.recordings import RecordingError, read

    try:
        return read(path, rate=rate, channels=choices)
    except RecordingError as error:
        raise InvalidInput(str(error)) from error


def bind_all(
    recording: Recording, detector: str, named: bool, profile: Profile | None = None
) -> list[Binding]:
    """Join the detector to the channels that were ``named``, else to the first that suits it.

    A detector that takes many channels gets all that suit it. With ``profile`` it has what that holds for it.
    Raises InvalidInput.
    """
    from bridge.calibration.profile import ProfileError
    from bridge.evaluation.running import bind_detector
    from bridge.pipeline import BindingError

    names = [channel.name for channel in recording.info.channels] if named else []
    try:
        bindings = bind_detector(recording, detector, names)
        if profile is not None:
            profile.settings_for(detector)  # one that says nothing of the detector was not meant
            bindings = [binding.fitted(recording.info, profile) for binding in bindings]
        bindings[0].create(recording.info)  # refuses a rate or settings that do not suit, before any work
    except (BindingError, ProfileError) as error:
        raise InvalidInput(str(error)) from error
    if len(bindings) > 1 and not named:
        chosen, *others = (recording.info.channels[item.columns[0]].name for item in bindings)
        rest = ", ".join(others)
        click.echo(
            f"{detector} works on one channel: {chosen} is used; --channel names another ({rest}).",
            err=True,
        )
        return bindings[:1]
    return bindings


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


@contextmanager
def progress_bar(label: str, total_s: float) -> Iterator[Callable[[float], None] | None]:
    """A bar on stderr, in terminals and for long recordings only."""
    if not sys.stderr.isatty() or total_s < 120:
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(label, total=total_s)
        yield lambda done_s: progress.update(task, completed=done_s)
