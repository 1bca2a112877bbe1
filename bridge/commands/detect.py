"""`detect`: the events in a recording."""

from __future__ import annotations

import json
from pathlib import Path

import click

from bridge.commands.recording_options import (
    bind_all,
    channel_choices,
    open_profile,
    open_recording,
    progress_bar,
    recording_options,
)
from bridge.signals.types import ChannelKind, Event


@click.command(epilog="Example: biosignal-bridge detect blinks.csv --detector blink --channel vertical")
@click.argument("recording", type=click.Path(path_type=Path))
@recording_options
def command(
    recording: Path,
    detector: str,
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    profile: Path | None,
    as_json: bool,
) -> None:
    """Print the events that a detector finds in RECORDING (EDF+, BDF+, WFDB or CSV), in order.

    With --json one line for each event, as rules get it; without it a table.
    """
    from bridge.evaluation.running import run

    opened = open_recording(recording, rate, channel_choices(channels, kinds))
    bindings = bind_all(opened, detector, bool(channels), open_profile(profile))
    events: list[Event] = []
    with progress_bar(recording.name, opened.seconds * len(bindings)) as progress:
        for binding in bindings:
            events.extend(run(opened, binding, progress=progress).events)
    events.sort(key=lambda event: (event.decided, event.onset))
    if not as_json and events:
        click.echo(_row("onset s", "decided s", "event", "channel", "sure", "values"))
    for event in events:
        click.echo(json.dumps(event.to_json()) if as_json else _described(event))
    if not as_json:
        click.echo(f"{len(events)} events in {opened.seconds:.1f} s of signal.", err=True)


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
