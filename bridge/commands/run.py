"""`run`: the daemon."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.recording_options import InvalidInput, channel_choices, open_profile
from bridge.commands.running import RunOptions, output_streams, read_rules, run_rules
from bridge.commands.taking import assumed_channels, plugged_in
from bridge.recordings import is_recording
from bridge.signals.types import CHANNEL_KINDS, ChannelKind

if TYPE_CHECKING:
    from bridge.service.daemon import Daemon
    from bridge.service.protocol import Companion


def _no_metrics_port(_context: click.Context, _option: click.Parameter, value: str | None) -> None:
    if value is not None:
        raise click.UsageError(
            "the metrics have no port of their own any more: leave --metrics-port out and read "
            "http://127.0.0.1:PORT/metrics with the token of the page's link; --page-port fixes PORT"
        )


@click.command(
    epilog="Example: biosignal-bridge run configs/first-try.yaml --replay blinks.csv --fast --dry-run --json"
)
@click.argument("file", required=False, type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--source",
    metavar="WHAT",
    help="In the place of FILE's source: `synthetic`, a recording, a serial port's name, or `auto` for the "
    "port that sends.",
)
@click.option("--replay", type=click.Path(path_type=Path), metavar="REC", help="As --source REC.")
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="NAME",
    help="A channel of the recording to use, or what the port sends, in order; repeat it.",
)
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    type=click.Choice(CHANNEL_KINDS),
    help="What the named channels carry, where their names do not say it.",
)
@click.option(
    "--rate",
    type=click.FloatRange(min=0, min_open=True),
    metavar="HZ",
    help="Sampling rate of a CSV recording without a time column.",
)
@click.option("--fast", is_flag=True, help="Replay without waiting for the clock.")
@click.option(
    "--for",
    "for_s",
    type=click.FloatRange(min=0, min_open=True),
    metavar="SECONDS",
    help="Stop after this time (of signal, with --fast).",
)
@click.option(
    "--profile",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A person's profile, from calibration; one that is not there yet is made on the page.",
)
@click.option("--armed", is_flag=True, help="Send keystrokes from the start; without it they are off.")
@click.option("--dry-run", is_flag=True, help="Show everything, send nothing.")
@click.option(
    "--record", type=click.Path(path_type=Path), metavar="OUT.edf", help="Record the signal and its events."
)
@click.option("--no-monitor", is_flag=True, help="No local page.")
@click.option(
    "--page-port",
    type=click.IntRange(1, 65535),
    metavar="PORT",
    help="The port of the local page and of its /metrics; any free one, if not given.",
)
@click.option("--metrics-port", hidden=True, expose_value=False, callback=_no_metrics_port)
@click.option("--json", "as_json", is_flag=True, help="JSON Lines on stdout: events and actions.")
@click.option("--all", "all_types", is_flag=True, help="With --json: levels and each channel's verdict too.")
@click.option("--verbose", is_flag=True, help="Tell more in the log.")
def command(
    file: Path | None,
    source: str | None,
    replay: Path | None,
    channels: tuple[str, ...],
    kinds: tuple[ChannelKind, ...],
    rate: float | None,
    fast: bool,
    for_s: float | None,
    profile: Path | None,
    armed: bool,
    dry_run: bool,
    record: Path | None,
    no_monitor: bool,
    page_port: int | None,
    as_json: bool,
    all_types: bool,
    verbose: bool,
) -> int:
    """Turn a signal into control, as the rule file FILE says.

    Without FILE it shows on the page what is plugged in (or --source), with every detector that suits it, and
    sends nothing at all.

    Keystrokes are off unless --armed; OSC and MQTT are live from the start unless --dry-run. Ctrl-C,
    SIGTERM or `stop` stops, SIGUSR1 pauses and resumes. A new version of FILE takes over while it runs, if it
    is valid.

    Run everything that touches the body from batteries, nothing on mains; no implants; not a medical device;
    not for vehicles or machinery; never the only safety control.
    """
    from bridge.rules.schema import RuleFile
    from bridge.service.printer import Printer
    from bridge.sources.protocol import SourceError

    if source is not None and replay is not None:
        raise click.UsageError("--source and --replay exclude each other")
    if source is not None and is_recording(source):
        replay = Path(source)
        source = None
    if file is None and replay is None:
        source = source or "auto"
    if (channels or kinds or rate) and replay is None and source is None:
        raise click.UsageError(
            "--channel, --kind and --rate go with --source or --replay; the rule file says it otherwise"
        )
    if file is None and armed:
        raise click.UsageError("--armed needs a rule file: without one nothing is sent")
    if page_port is not None and no_monitor:
        raise click.UsageError("--page-port and --no-monitor exclude each other")
    if all_types and not as_json:
        raise click.UsageError("--all goes with --json")
    if armed and dry_run:
        raise click.UsageError("--armed and --dry-run exclude each other")
    choices = channel_choices(channels, kinds)
    if file is None and source is not None and source != "synthetic" and choices is None:
        try:
            heard = plugged_in(source)
        except SourceError as error:
            raise click.ClickException(str(error)) from error
        source, choices = heard.port.device, assumed_channels(heard.columns or 1)
    rules = RuleFile.model_validate({"version": 1}) if file is None else read_rules(file, typing=not dry_run)
    options = RunOptions(
        file=file,
        replay=replay,
        source=source,
        channels=choices,
        rate_hz=rate,
        fast=fast,
        for_s=for_s,
        armed=armed,
        dry_run=dry_run or file is None,
        record=record,
        monitor=not no_monitor,
        page_port=page_port or 0,
        profile=profile,
    )
    to_come = profile is not None and not profile.exists()
    if to_come and (fast or no_monitor):
        raise InvalidInput(f"{profile}: there is no such profile, and no page to make it on")
    fitted = None if to_come else open_profile(profile)
    with output_streams(verbose, fast=fast) as (out, err):
        if to_come:
            err.line(f"{profile} is not there yet: the page makes it, by Calibrate, or by what Tune keeps")
        daemons: list[Callable[[], Daemon]] = []

        def known(daemon: Callable[[], Daemon]) -> Sequence[Companion]:
            daemons.append(daemon)
            return ()

        printer = Printer(
            out,
            as_json=as_json,
            all_types=all_types,
            pipeline=lambda: daemons[0]().pipeline if daemons else None,
        )
        summary, interrupted = run_rules(rules, options, profile=fitted, taps=[printer], companions=known)
        err.line(summary.line())
    if summary.recording_problem:
        return 1
    return 130 if interrupted else 0
