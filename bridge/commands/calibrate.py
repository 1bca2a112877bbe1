"""`calibrate`: fit detectors to a person, live or from a recording, and show what to expect."""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.calibration.vocabulary import NOT_UNDERSTOOD, NOT_WRITTEN, in_words
from bridge.commands.recording_options import (
    InvalidInput,
    complete_detectors,
    materials,
    needing,
    source_failure,
)
from bridge.commands.spreading import located, refused, spread, spreading_options
from bridge.signals.types import CHANNEL_KINDS, ChannelKind, StreamInfo

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bridge.calibration.profile import Profile
    from bridge.evaluation.tasks import FitTask

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command(
    epilog=f"Labels of a --reference. {in_words()}\n\n"
    "Example: biosignal-bridge calibrate --detector blink --replay blinks.csv "
    "--reference blinks.reference.csv --profile anna.yaml"
)
@click.option(
    "--detector",
    "detectors",
    multiple=True,
    metavar="NAME",
    help="blink, gaze, …; repeat it.",
    shell_complete=complete_detectors,
)
@click.option(
    "--profile",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Where the profile goes, else the data folder; with several --replay the folder for a profile each.",
)
@click.option("--person", default="me", show_default=True, help="Whose profile it is.")
@click.option("--device", default="board", show_default=True, help="Which board and electrodes.")
@click.option(
    "--replay",
    "replays",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="REC",
    help="Fit from a recording; repeat it to fit anew from many, a profile from each.",
)
@click.option(
    "--reference",
    "references",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="CUES",
    help="Cues or reference labels of REC, one for each --replay in order; else those inside it.",
)
@click.option("--channel", "channels", multiple=True, metavar="NAME", help="A channel to use; repeat it.")
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    type=click.Choice(CHANNEL_KINDS),
    help="What the channels carry, where their names do not say it: once for all, or once each.",
)
@click.option("--rate", type=click.FloatRange(min=0, min_open=True), metavar="HZ", help="Sampling rate.")
@click.option("--source", default="auto", show_default=True, metavar="WHAT", help="Live: a port, or `auto`.")
@click.option("--baud", type=click.IntRange(min=300), help="Baud rate of a serial port.")
@click.option("--record", type=_FILE, metavar="OUT.edf", help="Live: where the session is recorded.")
@click.option("--cue", type=click.Choice(["words", "sound"]), default="sound", show_default=True)
@click.option("--pace", type=click.FloatRange(1, 5), default=1.0, help="Live: this many times slower.")
@click.option(
    "--cost",
    type=click.FloatRange(0.01, 1000),
    default=3.0,
    show_default=True,
    metavar="RATIO",
    help="How many misses one false activation is worth.",
)
@click.option(
    "--reliability",
    type=click.FloatRange(0, 1),
    metavar="SHARE",
    help="Live with --source synthetic: how many of the cues the made-up person follows; 0.95 if not given.",
)
@click.option("--few", is_flag=True, help="Allow fewer than ten acts of a kind; the profile says so.")
@click.option("--force", is_flag=True, help="Go on with a bad signal.")
@click.option("--show", type=_FILE, metavar="PROFILE", help="Draw a profile and do nothing else.")
@click.option(
    "--report",
    type=_FILE,
    metavar="OUT.html",
    callback=needing("plots"),
    help="Write a page with pictures.",
)
@click.option("--json", "as_json", is_flag=True, help="JSON on stdout.")
@spreading_options
def command(
    detectors: tuple[str, ...],
    profile: Path | None,
    person: str,
    device: str,
    replays: tuple[Path, ...],
    references: tuple[Path, ...],
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    source: str,
    baud: int | None,
    record: Path | None,
    cue: str,
    pace: float,
    cost: float,
    reliability: float | None,
    few: bool,
    force: bool,
    show: Path | None,
    report: Path | None,
    as_json: bool,
    workers: int | None,
    scheduler: str | None,
) -> None:
    """Set every detector's thresholds for one person on one day, and say how well it will work.

    Live: signal check, rest, acts on cue, everyday movements, a check; about three minutes for a detector.
    With --source synthetic a made-up person does what the cues say: the whole routine without a body.
    The session is recorded, and --replay fits from such a recording, or any with labels, the same way.

    Body-connected electronics: battery power only, nothing on mains, no implants. Not a medical device.
    """
    from bridge.calibration.labels import LabelError
    from bridge.calibration.profile import ProfileError
    from bridge.evaluation.tasks import FitTask
    from bridge.pipeline import BindingError
    from bridge.recordings import RecordingError, check_readers
    from bridge.recordings.profile_file import profile_path, read_profile_file

    try:
        if show is not None:
            _present(read_profile_file(show), report, as_json)
            return
        if not detectors:
            raise click.UsageError("say what to calibrate with --detector NAME, or what to draw with --show")
        _check_names(detectors)
        if references and not replays:
            raise click.UsageError("--reference belongs to --replay")
        if references and len(references) != len(replays):
            raise click.UsageError(
                f"{len(replays)} of --replay need as many of --reference, not {len(references)}"
            )

        check_readers(replays, references)

        def task(path: Path, out: Path, reference: Path | None = None, rate: float | None = rate) -> FitTask:
            (material,) = materials([located(path, scheduler)], channels, kinds, rate)
            marked = None if reference is None else located(reference, scheduler)
            date = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
            old = read_profile_file(out).detectors if out.exists() else {}
            return FitTask(
                material, detectors, person, device, date, marked, ratio=cost, few=few, force=force, old=old
            )

        if len(replays) > 1:
            folder = _folder_for(replays, profile)
            outs = [folder / f"{path.stem}.yaml" for path in replays]
            marks = references or (None,) * len(replays)
            tasks = [task(*each) for each in zip(replays, outs, marks, strict=True)]
            _fit_many(replays, tasks, outs, workers, scheduler, as_json)
            return
        out = profile or profile_path(person, device)
        if out.is_dir():
            raise click.UsageError(f"{out} is a folder; --profile names a file for one recording")
        if replays:
            asked = task(replays[0], out, references[0] if references else None)
        else:
            path = record or _session_path(person)
            asked = task(path, out, rate=None)
            _hold(detectors, path, source, channels, kinds, rate, baud, cue, pace, force, few, reliability)
        made = _fitted(asked)
        _save(out, made)
    except LabelError as error:
        raise click.ClickException(f"{NOT_WRITTEN}{error}") from error
    except (ProfileError, RecordingError, BindingError) as error:
        raise InvalidInput(str(error)) from error
    _present(made, report, as_json)
    _tell_labels(made)
    click.echo(f"Profile: {out}", err=True)


def _check_names(detectors: Sequence[str]) -> None:
    from bridge.calibration.cues import CALIBRATED
    from bridge.suggesting import nearest

    for name in detectors:
        if name not in CALIBRATED:
            meant = nearest(name, CALIBRATED)
            mend = f"did you mean {meant!r}?" if meant else f"known: {', '.join(CALIBRATED)}"
            raise click.UsageError(f"there is no calibration for {name!r}; {mend}")


def _session_path(person: str) -> Path:
    from bridge.recordings.profile_file import profile_path, sessions_path

    now = datetime.now(UTC).astimezone().strftime("%Y-%m-%d-%H%M%S")
    sessions_path().mkdir(parents=True, exist_ok=True)
    return sessions_path() / f"{profile_path(person, 'x').parent.name}-{now}.edf"


def _hold(
    detectors: Sequence[str],
    path: Path,
    source: str,
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    baud: int | None,
    cue: str,
    pace: float,
    force: bool,
    few: bool,
    reliability: float | None,
) -> None:
    """Hold the session; returns when it has come to its end."""
    from rich.console import Console

    from bridge.calibration.cues import Routine, at_pace, plan
    from bridge.commands.calibration_screen import LineScreen, LiveScreen
    from bridge.commands.calibration_session import BadSignalError, Session
    from bridge.commands.live_options import live_source
    from bridge.recordings.recorder import Recorder
    from bridge.sources.protocol import SourceError

    if path.suffix.lower() not in (".edf", ".bdf"):
        raise click.UsageError(f"{path} must end in .edf or .bdf")
    console = Console(stderr=True)
    live = console.is_terminal and sys.stdin.isatty()
    screen = (LiveScreen if live else LineScreen)(console, bell=cue == "sound")
    seed = int(datetime.now(UTC).timestamp())
    steps = at_pace(plan(detectors, seed=seed, acts=5 if few else 10), pace)
    total_s = sum(step.seconds + 3 for step in steps)
    console.print(f"About {total_s / 60:.0f} minutes, recorded to {path}")
    session = Session(
        live_source(source, channels, kinds, rate, baud, False, reliability),
        Recorder(path),
        Routine(steps),
        screen,
        force=force,
        accept=lambda info: _accept(info, detectors),
    )
    try:
        asyncio.run(session.run())
    except SourceError as error:
        raise source_failure(error) from error
    except BadSignalError as error:
        raise click.ClickException(str(error)) from error
    if not session.finished:
        click.echo(f"Ended early. What was done is in {path}: fit it with --replay {path}", err=True)
        raise click.exceptions.Exit(130)


def _accept(info: StreamInfo, detectors: Sequence[str]) -> None:
    """Three minutes are too long to learn that the source carries nothing for a detector. InvalidInput."""
    from bridge.pipeline import BindingError, Wanted, bind

    for name in detectors:
        try:
            bind(info, [Wanted(name)])[0].create(info)
        except BindingError as error:
            raise InvalidInput(str(error)) from error


def _fitted(task: FitTask) -> Profile:
    """The fit of one recording, with a bar for each detector. Raises what the task raises."""
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
        bars = {name: bar.add_task(f"fitting {name}", total=1.0, visible=False) for name in task.detectors}
        return task(lambda name, part: bar.update(bars[name], completed=part, visible=True))


def _folder_for(replays: Sequence[Path], folder: Path | None) -> Path:
    """Where a profile for each recording goes. Raises click.UsageError."""
    if folder is None or folder.is_file():
        raise click.UsageError("with several --replay, --profile names the folder for their profiles")
    stems = [path.stem for path in replays]
    if twice := next((stem for stem in stems if stems.count(stem) > 1), None):
        raise click.UsageError(f"two recordings would give the same profile, {folder / twice}.yaml")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InvalidInput(f"{folder}: cannot be made ({error.strerror})") from error
    return folder


def _fit_many(
    replays: Sequence[Path],
    tasks: Sequence[FitTask],
    outs: Sequence[Path],
    workers: int | None,
    scheduler: str | None,
    as_json: bool,
) -> None:
    """A profile from each recording, named as it was asked for, and a line for each.

    Those that carry no fit are told at the end.
    """
    from bridge.calibration.profile import Profile

    results = spread(tasks, workers, scheduler)
    for path, task, out, made in zip(replays, tasks, outs, results, strict=True):
        if not isinstance(made, Profile):
            continue
        _save(out, made)
        _tell_labels(made, f"{out}: ")
        if as_json:
            click.echo(json.dumps({"recording": str(path), "profile": str(out), **_plain(made)}))
        else:
            click.echo(f"{out}: {', '.join(task.detectors)}")
    if errors := refused(tasks, results):
        raise click.ClickException("\n".join(("no profile was written for:", *errors)))


def _tell_labels(made: Profile, where: str = "") -> None:
    """Labels that were passed over are named on stderr too, where nobody overlooks them."""
    warnings = (warning for part in made.detectors.values() for warning in part.evidence.warnings)
    for warning in dict.fromkeys(item for item in warnings if item.startswith(NOT_UNDERSTOOD)):
        click.echo(f"{where}{warning}", err=True)


def _save(out: Path, profile: Profile) -> None:
    from bridge.recordings.profile_file import write_profile_file

    write_profile_file(out, profile)


def _plain(profile: Profile) -> dict[str, Any]:
    from bridge.calibration.profile_text import plain_detector

    plain = {name: plain_detector(part) for name, part in profile.detectors.items()}
    return {"person": profile.person, "device": profile.device, "detectors": plain}


def _present(profile: Profile, report: Path | None, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(_plain(profile)))
    else:
        from rich.console import Console

        from bridge.commands.calibration_drawing import draw_profile

        draw_profile(profile, Console())
    if report is not None:
        from bridge.commands.calibration_report import report as page

        try:
            report.write_text(page(profile), encoding="utf-8")
        except OSError as error:
            raise InvalidInput(f"{report}: cannot be written ({error.strerror})") from error
