"""`evaluate`: a detector's scores against reference annotations."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.commands.recording_options import (
    InvalidInput,
    bind_all,
    channel_choices,
    open_profile,
    open_recording,
    progress_bar,
    recording_options,
)
from bridge.signals.types import Annotation, ChannelKind

if TYPE_CHECKING:
    from bridge.evaluation.running import Evaluation, Run
    from bridge.recordings import Recording


@click.command(
    epilog="Example: biosignal-bridge evaluate blinks.csv --detector blink --reference blinks.reference.csv"
)
@click.argument(
    "recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING..."
)
@recording_options
@click.option(
    "--reference",
    "references",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Reference annotations: CSV onset,duration,label, WFDB or EDF+; one for each recording, in order.",
)
@click.option(
    "--window",
    "window_ms",
    type=click.FloatRange(min=0, min_open=True),
    metavar="MS",
    help="How far a detection may lie from its reference, either way, instead of the kind's own window.",
)
@click.option(
    "--skip",
    "skip_s",
    type=click.FloatRange(min=0),
    default=5.0,
    show_default=True,
    metavar="SECONDS",
    help="Learning time at the start that is not scored.",
)
@click.option(
    "--plot",
    "plot_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="OUT.png",
    help="Draw the stretches with misses and false alarms; several recordings are numbered.",
)
def command(
    recordings: tuple[Path, ...],
    detector: str,
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    profile: Path | None,
    as_json: bool,
    references: tuple[Path, ...],
    window_ms: float | None,
    skip_s: float,
    plot_path: Path | None,
) -> None:
    """Score a detector on each RECORDING, matching detections to the reference one to one.

    Beats and blinks match within 150 ms, shifts of gaze -100 to +400 ms with the direction equal, cued
    intervals when the onset lies -0.3 to +1.5 s from the cue, closures of the eyes within 0.7 s. A label that
    ends in ? is optional. Without a reference, counts and rates are given. Several recordings give gross
    figures (all counts added up), average figures and each recording's own.
    """
    from bridge.evaluation.families import Window
    from bridge.evaluation.running import Tally, evaluate, run, tally
    from bridge.evaluation.scores import Score

    if references and len(references) != len(recordings):
        raise click.UsageError(f"{len(recordings)} recordings need as many references, not {len(references)}")
    if plot_path is not None and not references:
        raise click.UsageError("--plot shows misses and false alarms: it needs --reference")
    window = None if window_ms is None else Window(window_ms / 1000, window_ms / 1000)
    fitted = open_profile(profile)

    results: list[Score | Tally] = []
    shown: Window | None = window
    for number, path in enumerate(recordings):
        opened = open_recording(path, rate, channel_choices(channels, kinds))
        bindings = bind_all(opened, detector, bool(channels), fitted)
        if len(bindings) > 1:
            raise click.UsageError(
                f"{detector} works on one channel: name one --channel, not {len(bindings)}"
            )
        reference = _read_reference(references[number], opened.info.rate) if references else None
        with progress_bar(path.name, opened.seconds) as progress:
            found = run(opened, bindings[0], progress=progress)
        if reference is None:
            results.append(tally(opened, found, skip_s=skip_s))
            continue
        evaluation = evaluate(opened, found, reference, skip_s=skip_s, window=window)
        shown = evaluation.window if number == 0 or shown == evaluation.window else shown
        results.append(evaluation.score)
        if plot_path is not None:
            _plot(_numbered(plot_path, number, len(recordings)), opened, found, evaluation, path.name)
    report = _report(detector, shown, recordings, results)
    if as_json:
        click.echo(json.dumps(report))
    else:
        from bridge.evaluation.tables import table

        click.echo(table(report))


def _read_reference(path: Path, rate_hz: float) -> tuple[Annotation, ...]:
    from bridge.recordings import RecordingError, read_annotations

    try:
        return read_annotations(path, rate=rate_hz)
    except RecordingError as error:
        raise InvalidInput(str(error)) from error


def _report(detector: str, window: Any, recordings: tuple[Path, ...], results: list[Any]) -> dict[str, Any]:
    """One object; with several recordings the gross figures, then ``average`` and ``recordings``."""
    from bridge.evaluation.running import Tally, total
    from bridge.evaluation.scores import average, gross

    report: dict[str, Any] = {"detector": detector}
    if isinstance(results[0], Tally):
        report |= total(results).to_json()
    else:
        report |= {"window_ms": window.to_json(), **gross(results).to_json()}
    if len(results) > 1:
        if not isinstance(results[0], Tally):
            report["average"] = average(results)
        report["recordings"] = [
            {"recording": str(path), **item.to_json()} for path, item in zip(recordings, results, strict=True)
        ]
    return report


def _plot(path: Path, recording: Recording, found: Run, evaluation: Evaluation, title: str) -> None:
    from bridge.evaluation.plot import plot

    try:
        plot(path, recording, found, evaluation, title)
    except (OSError, ValueError) as error:
        raise click.ClickException(f"{path}: the picture cannot be written: {error}") from error
    click.echo(f"Picture: {path}", err=True)


def _numbered(path: Path, number: int, count: int) -> Path:
    return path if count == 1 else path.with_name(f"{path.stem}-{number + 1}{path.suffix}")
