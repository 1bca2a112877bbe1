"""`status`, `pause`, `resume`, `arm`, `disarm` and `stop`: talk to a running daemon."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import click

from bridge.service.control import ControlError, ask, ask_all


@contextmanager
def _told() -> Iterator[None]:
    """A daemon that cannot be asked ends the command with a line."""
    try:
        yield
    except ControlError as error:
        raise click.ClickException(str(error)) from error


def _talk(word: str, file: str | None, pid: int | None, as_json: bool) -> None:
    with _told():
        answer = ask(word, pid, file=file)
    click.echo(json.dumps(answer) if as_json else str(answer["state"]))
    if "sentence" in answer:
        click.echo(answer["sentence"], err=True)


_file = click.argument("file", required=False)
_pid = click.option("--pid", type=int, help="Which daemon, when several run one FILE.")
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
            f"rules     {answer['rule_file'] or 'no rule file'} (pid {answer['pid']})",
            f"state     {answer['sentence']}",
            f"signal    {_signal_in_words(answer['signal'])}",
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


def _signal_in_words(channels: list[dict[str, str]]) -> str:
    """The channels that are not good, or that all are."""
    if not channels:
        return "not known yet"
    faults = [
        f"{' '.join(filter(None, (one['stream'], one['channel'])))}: "
        + (one["reason"] if one["verdict"] == "none" else f"{one['verdict']} ({one['reason']})")
        for one in channels
        if one["verdict"] != "good"
    ]
    return ", ".join(faults) or "good"


@click.command(epilog="Example: biosignal-bridge status --json")
@_file
@_pid
@_as_json
def status(file: str | None, pid: int | None, as_json: bool) -> None:
    """Say how the daemon of rule file FILE does, or each that runs; --json then gives a line for each."""
    with _told():
        answers = [] if file is not None or pid is not None else ask_all("status")
        answers = answers or [ask("status", pid, file=file)]
    told = [json.dumps(answer) if as_json else _in_words(answer) for answer in answers]
    click.echo(("\n" if as_json else "\n\n").join(told))


@click.command(epilog="Example: biosignal-bridge pause")
@_file
@_pid
@_as_json
def pause(file: str | None, pid: int | None, as_json: bool) -> None:
    """Pause every rule of the running daemon; what is held is let go, safe values are sent once.

    No rule ends this pause: `resume`, the page or the pause key do.
    """
    _talk("pause", file, pid, as_json)


@click.command(epilog="Example: biosignal-bridge resume")
@_file
@_pid
@_as_json
def resume(file: str | None, pid: int | None, as_json: bool) -> None:
    """Return the running daemon to the state it had before the pause; refused while a calibration goes on."""
    _talk("resume", file, pid, as_json)


@click.command(epilog="Example: biosignal-bridge arm")
@_file
@_pid
@_as_json
def arm(file: str | None, pid: int | None, as_json: bool) -> None:
    """Let the running daemon press keys from now on, as --armed does from the start.

    Refused while a calibration goes on, in a dry run, and where the rule file has no keystroke output.
    """
    _talk("arm", file, pid, as_json)


@click.command(epilog="Example: biosignal-bridge disarm")
@_file
@_pid
@_as_json
def disarm(file: str | None, pid: int | None, as_json: bool) -> None:
    """Let go of every key and press none until it is armed again. OSC and MQTT go on: `pause` stops all."""
    _talk("disarm", file, pid, as_json)


@click.command(epilog="Example: biosignal-bridge stop")
@_file
@_pid
@_as_json
def stop(file: str | None, pid: int | None, as_json: bool) -> None:
    """End the running daemon as Ctrl-C does: everything is let go, and what was recorded is kept."""
    _talk("stop", file, pid, as_json)
