"""`status`, `pause`, `resume` and `stop`: talk to a running daemon over its control channel."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import click

from bridge.service.control import ControlError, ask


def _talk(word: str, show: Callable[[dict[str, Any]], str], pid: int | None, as_json: bool) -> None:
    try:
        answer = ask(word, pid)
    except ControlError as error:
        raise click.ClickException(str(error)) from error
    click.echo(json.dumps(answer) if as_json else show(answer))
    if word in ("pause", "resume"):
        click.echo(answer["sentence"], err=True)


_pid = click.option("--pid", type=int, help="Which daemon, when several run.")
_as_json = click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")


def _in_words(answer: dict[str, Any]) -> str:
    events = ", ".join(f"{kind} {count}" for kind, count in sorted(answer["events"].items())) or "none"
    actions = (
        ", ".join(
            f"{output} {count} {result}"
            for output, results in sorted(answer["actions"].items())
            for result, count in sorted(results.items())
        )
        or "none"
    )
    latency = answer["latency_ms"]["median"]
    clocks = [
        f"clock     {name + ' ' if name else ''}{clock['rate_hz']:g} Hz, {clock['drift_ppm']:+.0f} ppm, "
        f"jitter {clock['jitter_ms']:.1f} ms"
        for name, clock in sorted(answer["clocks"].items())
    ]
    recording = answer.get("recording")
    further = []
    if recording is not None:
        early = "" if recording["problem"] is None else f"; ended early: {recording['problem']}"
        further.append(f"recording {recording['file']}{early}")
    if answer.get("lines_not_printed"):
        further.append(f"printing  {answer['lines_not_printed']} lines left out: stdout is not read in time")
    return "\n".join(
        (
            f"state     {answer['sentence']}",
            f"uptime    {answer['uptime_s']:.0f} s",
            f"samples   {answer['samples']}, {answer['lost_samples']} lost, "
            f"{answer['skipped_lines']} lines skipped",
            *clocks,
            f"events    {events}",
            f"actions   {actions}",
            f"latency   {'none yet' if latency is None else f'{latency:.2f} ms median'}",
            *further,
        )
    )


@click.command(epilog="Example: biosignal-bridge status --json")
@_pid
@_as_json
def status(pid: int | None, as_json: bool) -> None:
    """Say how the running daemon does."""
    _talk("status", _in_words, pid, as_json)


@click.command(epilog="Example: biosignal-bridge pause")
@_pid
@_as_json
def pause(pid: int | None, as_json: bool) -> None:
    """Pause every rule of the running daemon; what is held is let go, safe values are sent once."""
    _talk("pause", lambda answer: str(answer["state"]), pid, as_json)


@click.command(epilog="Example: biosignal-bridge resume")
@_pid
@_as_json
def resume(pid: int | None, as_json: bool) -> None:
    """Return the running daemon to the state it had before the pause; refused while a calibration goes on."""
    _talk("resume", lambda answer: str(answer["state"]), pid, as_json)


@click.command(epilog="Example: biosignal-bridge stop")
@_pid
@_as_json
def stop(pid: int | None, as_json: bool) -> None:
    """End the running daemon as Ctrl-C does: everything is let go, and what was recorded is kept."""
    _talk("stop", lambda answer: str(answer["state"]), pid, as_json)
