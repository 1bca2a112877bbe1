"""What `run` and `demo` share: from a checked rule file to a daemon that has run."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.commands.cautions import CAUTIONS, on_a_body
from bridge.commands.recording_options import InvalidInput, source_failure
from bridge.trust.restraint import Restraint

if TYPE_CHECKING:
    from bridge.calibration.profile import Profile
    from bridge.pipeline import Binding, Outcome, Pipeline
    from bridge.recordings import ChannelChoice
    from bridge.rules.schema import RuleFile
    from bridge.service.daemon import Daemon
    from bridge.service.output_stream import OutputStream
    from bridge.service.protocol import Companion, Tap
    from bridge.service.summary import Summary
    from bridge.signals.types import Channel, StreamInfo
    from bridge.sources import Source

log = logging.getLogger("bridge")


@dataclass(frozen=True, slots=True)
class RunOptions:
    """How a rule file is run; ``file`` is where it came from, None for one that is part of the program."""

    file: Path | None = None
    replay: Path | None = None
    source: str | None = None  # in the place of the rule file's: `synthetic`, `auto` or a port
    channels: Sequence[ChannelChoice] | None = None
    rate_hz: float | None = None
    fast: bool = False
    for_s: float | None = None
    armed: bool = False
    dry_run: bool = False
    record: Path | None = None
    profile: Path | None = None
    monitor: bool = True
    page_port: int = 0
    control: bool = True
    name: str = ""  # what runs, where no file says it

    @property
    def told_file(self) -> str:
        """What `status` calls it."""
        return self.name if self.file is None else str(self.file.resolve())


@contextlib.contextmanager
def output_streams(
    verbose: bool = False, *, fast: bool = False
) -> Iterator[tuple[OutputStream, OutputStream]]:
    """stdout and stderr, with the log on the latter, neither of which can hold up control."""
    from bridge.service.output_stream import MOST_LINES, MOST_LINES_FAST, LogStream, OutputStream

    def told(error: OSError) -> None:
        log.warning("stdout takes nothing more (%s); everything else goes on", error.strerror)

    most = MOST_LINES_FAST if fast else MOST_LINES
    out = OutputStream(sys.stdout, most=most, on_failure=told)
    err = OutputStream(sys.stderr)
    handler = LogStream(err)
    handler.setFormatter(_LogFormat())
    handler.addFilter(Restraint())
    root = logging.getLogger("bridge")
    root.handlers[:] = [handler]
    root.setLevel(logging.DEBUG if verbose else logging.INFO)
    root.propagate = False
    try:
        yield out, err
    finally:
        out.finish(None if fast else 1.0)
        if out.dropped and not out.failed:
            log.warning("%d lines were not printed: stdout was not read in time", out.dropped)
        err.finish()


class _LogFormat(logging.Formatter):
    def __init__(self) -> None:
        super().__init__("%(asctime)s %(message)s", datefmt="%H:%M:%S")

    def format(self, record: logging.LogRecord) -> str:
        text = super().format(record)
        if record.levelno >= logging.WARNING:
            time, _, rest = text.partition(" ")
            return f"{time} {record.levelname.lower()}: {rest}"
        return text


def read_rules(file: Path, *, typing: bool = False) -> RuleFile:
    """The checked rule file; its warnings go to stderr. Raises InvalidInput, with all errors and places.

    ``typing``: the keys will be typed on this computer, so warn of those that it cannot type.
    """
    from bridge.outputs.keyboard_choice import untypable
    from bridge.rules.loader import RuleFileErrors, load
    from bridge.service.rule_watch import read_rule_file

    try:
        loaded = load(read_rule_file(file), str(file), untypable=untypable if typing else None)
    except RuleFileErrors as errors:
        raise InvalidRules(str(errors)) from errors
    except OSError as error:
        raise InvalidInput(f"{file}: cannot be read: {error.strerror}") from error
    for problem in loaded.warnings:
        click.echo(problem.text(str(file)), err=True)
    return loaded.rules


class InvalidRules(InvalidInput):
    """Lines that begin with their place: shown as they are, so that editors can jump there."""

    def show(self, file: Any = None) -> None:
        click.echo(self.message, err=True, file=file)


def run_rules(
    rules: RuleFile,
    options: RunOptions,
    *,
    profile: Profile | None = None,
    taps: Sequence[Tap] = (),
    companions: Callable[[Callable[[], Daemon]], Sequence[Companion]] | None = None,
) -> tuple[Summary, bool]:
    """Run until the end; returns the summary and whether Ctrl-C ended it. Raises click's errors."""
    from bridge.outputs.protocol import OutputError
    from bridge.pipeline import BindingError
    from bridge.recordings import RecordingError
    from bridge.sources import SourceError

    try:
        return asyncio.run(_run(rules, options, profile, taps, companions))
    except SourceError as error:
        raise source_failure(error) from error
    except OutputError as error:
        raise click.ClickException(str(error)) from error
    except (RecordingError, BindingError) as error:
        raise InvalidInput(str(error)) from error


async def _run(
    rules: RuleFile,
    options: RunOptions,
    profile: Profile | None,
    taps: Sequence[Tap],
    more: Callable[[Callable[[], Daemon]], Sequence[Companion]] | None,
) -> tuple[Summary, bool]:
    from bridge import outputs
    from bridge.recordings.profile_file import profile_path, sessions_path
    from bridge.rules.engine import Engine
    from bridge.service import assembly, companions
    from bridge.service.calibrating import CalibrationDesk
    from bridge.service.daemon import Daemon
    from bridge.service.fitted import FittedProfile
    from bridge.service.rule_watch import RuleWatch

    def bound(rules: RuleFile, infos: Mapping[str, StreamInfo]) -> Any:
        kinds = assembly.kinds_heard(rules) if rules.rules or rules.levels else assembly.all_kinds(infos)
        return assembly.bindings_for(infos, rules.detectors, kinds, shelf.profile)

    def make_pipeline(infos: Mapping[str, StreamInfo]) -> Pipeline:
        bindings = bound(rules, infos)
        _check_units(sources, bindings, shelf.profile)
        if lacking := assembly.unfitted(rules, bindings):
            log.warning("%s", lacking)
        return assembly.pipeline_for(infos, bindings, Engine(rules))

    def use(new: RuleFile) -> None:
        def change(pipeline: Pipeline, infos: Mapping[str, StreamInfo]) -> Outcome:
            return pipeline.change_rules(new, bound(new, infos))

        assembly.check_same_devices(rules, new)
        daemon.use_rules(change)

    def the_daemon() -> Daemon:
        return daemon

    def refit() -> None:
        def change(pipeline: Pipeline, infos: Mapping[str, StreamInfo]) -> Outcome:
            current = rules if watch is None else watch.rules
            return pipeline.change_rules(current, bound(current, infos))

        daemon.use_rules(change)

    # A demonstration has nobody whose profile it could be.
    own = profile_path("me", "board") if not options.name else None

    def signal_of(detector: str) -> tuple[Sequence[Channel], float]:
        assert daemon.pipeline is not None
        for chain in daemon.pipeline.chains.values():
            for binding in chain.bindings:
                if binding.name == detector:
                    return [chain.info.channels[column] for column in binding.columns], chain.info.rate
        return (), 0.0  # a detector that no channel suits: told as unknown

    # Settings chosen on the page are kept in a file that was named, and only there.
    shelf = FittedProfile(
        options.profile or own, profile, refit, signal_of=None if options.profile is None else signal_of
    )

    sources = sources_for(rules, options)
    worn = on_a_body(sources.values())
    if worn:
        log.info("%s", CAUTIONS)
    beside: list[Companion] = list(more(the_daemon)) if more is not None else []
    tapping = list(taps)
    watch: RuleWatch | None = None
    if options.file is not None and not options.fast:
        watch = RuleWatch(options.file, rules, use)
        beside.append(watch)
    page: companions.Page | None = None
    if options.control and not options.fast:
        control = companions.Control(
            the_daemon, options.told_file, lambda: page.tap.events_link if page is not None else ""
        )
        beside += [control, companions.Supervision(the_daemon)]
    if options.monitor and not options.fast:
        desk = None
        if options.replay is None:
            desk = CalibrationDesk(the_daemon, shelf, sessions_path())
            tapping.append(desk)
        page = companions.page(
            rules,
            watch,
            the_daemon,
            shelf=shelf,
            desk=desk,
            dry_run=options.dry_run,
            cautions=CAUTIONS if worn else "",
            port=options.page_port,
        )
        tapping.append(page.tap)
        beside.append(page)
    recorder = None
    if options.record is not None:
        from bridge.recordings.recorder import Recorder

        recorder = Recorder(options.record, start_s=lambda stream: daemon.start_s(stream))
        tapping.append(recorder)
    daemon = Daemon(
        sources,
        make_pipeline,
        {} if options.dry_run else outputs.build_all(rules.outputs, options.file),
        taps=tapping,
        companions=beside,
        armed=options.armed,
        dry_run=options.dry_run,
        live=not options.fast,
        for_s=options.for_s,
    )
    summary = await daemon.run()
    if recorder is not None and recorder.problem is not None:
        summary.recording_problem = f"the recording ended early: {recorder.problem}"
    return summary, daemon.interrupted


def _check_units(
    sources: Mapping[str, Source], bound: Mapping[str, Sequence[Binding]], profile: Profile | None
) -> None:
    """A recording in another unit than the profile's is refused. Raises BindingError."""
    from bridge.calibration.profile import ProfileError
    from bridge.evaluation.units import check_unit
    from bridge.pipeline import BindingError
    from bridge.sources.replay import ReplaySource

    for name, source in sources.items():
        if profile is None or not isinstance(source, ReplaySource) or source.recording is None:
            continue
        for binding in bound[name]:
            part = profile.detectors.get(binding.type.name)
            if part is None:
                continue
            try:
                check_unit(source.recording, binding.columns, binding.type.name, part)
            except ProfileError as error:
                raise BindingError(str(error)) from error


def sources_for(rules: RuleFile, options: RunOptions) -> dict[str, Source]:
    """The recording or source that was asked for, else what the rule file says.

    Raises InvalidInput, SourceError.
    """
    from bridge import sources
    from bridge.sources.replay import ReplaySource

    if options.replay is not None:
        return {
            "": ReplaySource(
                options.replay, rate_hz=options.rate_hz, channels=options.channels, fast=options.fast
            )
        }
    if options.source is not None:
        from bridge.commands.taking import other_source

        chosen = options.channels or ()
        return {"": other_source(options.source, rules, chosen, options.rate_hz, fast=options.fast)}
    specs = rules.all_sources
    if not specs:
        raise InvalidInput("the rule file names no source; add `source:` to it, or give --source WHAT")
    if options.fast and not all(spec.type in ("replay", "synthetic") for spec in specs.values()):
        raise InvalidInput("--fast needs a recording (--replay FILE) or a synthetic source")
    folder = options.file.parent if options.file is not None else Path()
    return {name: sources.build(spec, fast=options.fast, folder=folder) for name, spec in specs.items()}
