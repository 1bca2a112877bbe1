"""`evaluate`: a detector's scores against reference annotations."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.calibration.vocabulary import in_words
from bridge.commands.recording_options import (
    InvalidInput,
    materials,
    needing,
    open_profile,
    recording_options,
)
from bridge.commands.spreading import done_for_each, located, refused, spreading_options
from bridge.signals.types import ChannelKind

if TYPE_CHECKING:
    from bridge.evaluation.tasks import Material, Scored


@click.command(
    epilog=f"Labels of a --reference. {in_words()}\n\n"
    "Example: biosignal-bridge evaluate blinks.csv --detector blink --reference blinks.reference.csv"
)
@click.argument(
    "recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING..."
)
@recording_options
@spreading_options
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
    callback=needing("plots"),
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
    workers: int | None,
    scheduler: str | None,
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
    from bridge.detectors.kinds import Tolerance
    from bridge.evaluation.corpus import Refused
    from bridge.evaluation.tasks import EvaluateTask
    from bridge.recordings import check_readers

    if references and len(references) != len(recordings):
        raise click.UsageError(f"{len(recordings)} recordings need as many references, not {len(references)}")
    if plot_path is not None and not references:
        raise click.UsageError("--plot shows misses and false alarms: it needs --reference")
    check_readers((), references)
    tolerance = None if window_ms is None else Tolerance(window_ms / 1000, window_ms / 1000)
    files = [located(path, scheduler) for path in recordings]
    marked: list[Path | None] = [located(path, scheduler) for path in references]
    tasks = [
        EvaluateTask(material, detector, skip_s, reference, tolerance)
        for material, reference in zip(
            materials(files, channels, kinds, rate, open_profile(profile)),
            marked or [None] * len(files),
            strict=True,
        )
    ]
    results = done_for_each(tasks, workers, scheduler)
    if errors := refused(tasks, results):
        # Gross figures without some of the recordings would be the figures of something else.
        raise InvalidInput("\n".join(errors))
    scored = [result for result in results if not isinstance(result, Refused)]
    for note in dict.fromkeys(item.note for item in scored if item.note):
        click.echo(note, err=True)
    if plot_path is not None:
        for number, (task, item) in enumerate(zip(tasks, scored, strict=True)):
            _plot(_numbered(plot_path, number, len(tasks)), task.material, item)
    report = _report(detector, recordings, scored)
    if as_json:
        click.echo(json.dumps(report))
    else:
        from bridge.evaluation.tables import table

        click.echo(table(report))


def _report(detector: str, recordings: tuple[Path, ...], scored: list[Scored]) -> dict[str, Any]:
    """One object; with several recordings the gross figures, then ``average`` and ``recordings``."""
    from bridge.evaluation.running import Tally, total
    from bridge.evaluation.scores import Score, average, gross

    report: dict[str, Any] = {"detector": detector}
    scores = [item.result for item in scored if isinstance(item.result, Score)]
    if scores:
        tolerances = [item.evaluation.tolerance for item in scored if item.evaluation is not None]
        report |= {"window_ms": tolerances[0].to_json(), **gross(scores).to_json()}
    else:
        report |= total([item.result for item in scored if isinstance(item.result, Tally)]).to_json()
    if len(scored) > 1:
        if scores:
            report["average"] = average(scores)
        report["recordings"] = [
            {"recording": str(path), **item.result.to_json()}
            for path, item in zip(recordings, scored, strict=True)
        ]
    return report


def _plot(path: Path, material: Material, scored: Scored) -> None:
    from bridge.evaluation.plot import plot

    assert scored.evaluation is not None
    try:
        plot(path, material.read(), scored.run, scored.evaluation, material.path.name)
    except (OSError, ValueError) as error:
        raise click.ClickException(f"{path}: the picture cannot be written: {error}") from error
    click.echo(f"Picture: {path}", err=True)


def _numbered(path: Path, number: int, count: int) -> Path:
    return path if count == 1 else path.with_name(f"{path.stem}-{number + 1}{path.suffix}")
