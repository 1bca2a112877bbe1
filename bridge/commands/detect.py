"""`detect`: the events in recordings."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.recording_options import InvalidInput, materials, open_profile, recording_options
from bridge.commands.spreading import done_for_each, located, refused, spreading_options
from bridge.signals.types import ChannelKind, Event

if TYPE_CHECKING:
    from bridge.evaluation.tasks import Detected


@click.command(epilog="Example: biosignal-bridge detect blinks.csv --detector blink --channel vertical")
@click.argument(
    "recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING..."
)
@recording_options
@spreading_options
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
) -> None:
    """Print the events that a detector finds in each RECORDING (EDF+, BDF+, WFDB or CSV), in order.

    With --json one line for each event, as rules get it, and with several recordings also its recording;
    without it a table.
    """
    from bridge.evaluation.corpus import Refused
    from bridge.evaluation.tasks import DetectTask

    files = [located(path, scheduler) for path in recordings]
    tasks = [
        DetectTask(material, detector)
        for material in materials(files, channels, kinds, rate, open_profile(profile))
    ]
    results = done_for_each(tasks, workers, scheduler)
    for path, result in zip(recordings, results, strict=True):
        if not isinstance(result, Refused):
            _print(path if len(recordings) > 1 else None, result, as_json)
    if errors := refused(tasks, results):
        raise InvalidInput("\n".join(errors))


def _print(path: Path | None, found: Detected, as_json: bool) -> None:
    """The events of one recording; ``path`` where there are others."""
    if found.note:
        click.echo(found.note, err=True)
    if as_json:
        from bridge.outputs.records import of_event

        which = {} if path is None else {"recording": str(path)}
        for event in found.events:
            click.echo(json.dumps({**which, **of_event(event)}))
        return
    if path is not None:
        click.echo(f"{path}:")
    if found.events:
        click.echo(_row("onset s", "decided s", "event", "channel", "sure", "values"))
    for event in found.events:
        click.echo(_described(event))
    click.echo(f"{len(found.events)} events in {found.seconds:.1f} s of signal.", err=True)


def _described(event: Event) -> str:
    kind = event.kind if event.edge == "instant" else f"{event.kind} {event.edge}"
    values = ", ".join(f"{name} {value:.4g}" for name, value in event.values.items())
    return _row(
        f"{event.onset:.3f}",
        f"{event.decided:.3f}",
        kind,
        event.channel,
        f"{event.confidence:.2f}",
        values or event.note,
    )


def _row(onset: str, decided: str, kind: str, channel: str, sure: str, values: str) -> str:
    return f"{onset:>10}  {decided:>10}  {kind:<20}  {channel:<14}  {sure:>4}  {values}".rstrip()
