"""`rules`: check, try and explain rule files."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Sized
from pathlib import Path
from typing import Any

import click

from bridge.commands.recording_options import InvalidInput
from bridge.commands.running import read_rules
from bridge.detectors import EVENT_TYPES, LEVEL_TYPES
from bridge.signals.types import Detection, Event, Level


def counted(items: Sized, what: str) -> str:
    """`1 rule`, `2 rules`."""
    return f"{len(items)} {what}{'' if len(items) == 1 else 's'}"


_file = click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
_as_json = click.option("--json", "as_json", is_flag=True, help="JSON on stdout.")


@click.group()
def command() -> None:
    """Check, try and explain rule files."""


@command.command(epilog="Example: biosignal-bridge rules check slides.yaml")
@_file
@_as_json
def check(file: Path, as_json: bool) -> int:
    """Find every mistake in FILE at once: its place, what is wrong, and the mend. Exit 2 if there are any."""
    from bridge.outputs.keyboard_choice import untypable
    from bridge.rules.loader import RuleFileErrors, load
    from bridge.service.rule_watch import read_rule_file

    try:
        loaded = load(read_rule_file(file), str(file), untypable=untypable)
        problems, valid = loaded.warnings, True
    except RuleFileErrors as errors:
        problems, valid = errors.problems, False
    except OSError as error:
        raise InvalidInput(f"{file}: cannot be read: {error.strerror}") from error
    if as_json:
        from bridge.rules.reach import reaches

        plain: dict[str, Any] = {
            "file": str(file),
            "valid": valid,
            "problems": [problem.to_json(str(file)) for problem in problems],
        }
        if valid:
            plain["reaches"] = [reach.to_json() for reach in reaches(loaded.rules)]
        click.echo(json.dumps(plain, ensure_ascii=False))
    else:
        for problem in problems:
            click.echo(problem.text(str(file)), err=True)
        if valid:
            rules, levels = counted(loaded.rules.rules, "rule"), counted(loaded.rules.levels, "level")
            click.echo(f"{file}: valid, {rules}, {levels}")
    return 0 if valid else 2


@command.command(epilog="Example: biosignal-bridge rules explain slides.yaml")
@_file
@_as_json
def explain(file: Path, as_json: bool) -> None:
    """Say each rule of FILE in a plain sentence, and every host, port, file and login that FILE reaches."""
    from bridge.rules.explain import sentences
    from bridge.rules.reach import reaches

    rules = read_rules(file)
    told = sentences(rules)
    if as_json:
        plain: list[dict[str, Any]] = [{"rule": name, "sentence": text} for name, text in told]
        plain.extend({"reaches": reach.title, **reach.to_json()} for reach in reaches(rules))
        click.echo(json.dumps(plain, ensure_ascii=False))
        return
    for name, text in told:
        click.echo(f"{name}: {text}")
    for reach in reaches(rules):
        click.echo(f"{reach.title}: {reach.sentence}.")


@command.command(epilog="Example: biosignal-bridge rules schema > rules.schema.json")
def schema() -> None:
    """Print the JSON Schema of rule files, for editors that complete and check YAML."""
    from bridge.rules.schema import RuleFile

    click.echo(json.dumps(RuleFile.model_json_schema(by_alias=True), indent=2, ensure_ascii=False))


@command.command(epilog="Example: biosignal-bridge rules reference | less")
def reference() -> None:
    """Print the reference page: every field of a rule file, with examples."""
    from bridge.rules.reference import reference as page

    click.echo(page(), nl=False)


@command.command(
    "try",
    # The first character tells click not to wrap it.
    epilog="\b\n"
    r'Example: printf "blink 1 deliberate=1\nblink 1.4 deliberate=1\n" |'
    "\n  biosignal-bridge rules try slides.yaml --events -",
)
@_file
@click.option(
    "--events",
    type=click.Path(allow_dash=True, path_type=Path),
    metavar="EV.jsonl",
    help="Events, one a line: JSON as `detect --json` prints it, or KIND TIME [start|end] [NAME=VALUE …]; "
    "- for standard input. Without it lines are read from the terminal as they are typed.",
)
@_as_json
def try_(file: Path, events: Path | None, as_json: bool) -> None:
    """Show what the rules in FILE would send for given events; nothing is sent.

    Times are seconds. After the last event the time goes on until nothing more is due, and then everything
    held is let go.
    """
    from bridge.rules.engine import Engine

    rules = read_rules(file)
    engine = Engine(rules)

    def show(actions: Iterable[Any]) -> None:
        from bridge.service.printer import describe_action

        for action in actions:
            click.echo(
                json.dumps(action.to_json(), ensure_ascii=False)
                if as_json
                else f"{action.time:9.3f} s    → {describe_action(action)}"
            )

    typed = events is None and sys.stdin.isatty()
    if typed:
        click.echo("Type events such as: blink 1.0 deliberate=1 — Ctrl-D ends.", err=True)
    interactive = sys.stdin if events is None or str(events) == "-" else None
    try:
        lines: Iterable[str] = interactive if interactive is not None else _lines(events)
        for detection in _detections(lines, str(events or "typed"), forgiving=typed):
            show(engine.process(detection))
    except (OSError, UnicodeDecodeError) as error:
        raise InvalidInput(f"{events}: cannot be read: {error}") from error
    last = engine.time
    while (deadline := engine.next_deadline) is not None and deadline <= last + _LONGEST_WAIT_S:
        show(engine.advance(deadline))
        if rules.levels:
            break  # levels are due for ever
    show(engine.release(engine.time))


_LONGEST_WAIT_S = 3700.0  # a hold lasts an hour at most


def _lines(path: Path | None) -> Iterator[str]:
    assert path is not None
    with path.open(encoding="utf-8") as file:
        yield from file


def _detections(lines: Iterable[str], name: str, *, forgiving: bool) -> Iterator[Detection]:
    """Raises InvalidInput with the line's place; when typed by hand a mistake is told and passed over."""
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        try:
            yield detection_from(line)
        except ValueError as error:
            if not forgiving:
                raise InvalidInput(f"{name}:{number}:1: {error}") from error
            click.echo(f"{error}", err=True)


def detection_from(line: str) -> Detection:
    """One event or level from a line of JSON or of words. Raises ValueError with what is wrong."""
    if line.lstrip().startswith("{"):
        try:
            plain = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise ValueError(f"this is not JSON: {error}") from None
        return _from_json(plain)
    kind, *words = line.split()
    if not words:
        raise ValueError(f"`{kind}` needs a time in seconds, such as `{kind} 1.0`")
    time_s = _number(words[0], "the time")
    if kind in LEVEL_TYPES:
        if len(words) != 2:
            raise ValueError(f"a level is written as `{kind} TIME VALUE`")
        return Level(kind, time_s, _number(words[1], "the value"))
    _known(kind)
    edge = "instant"
    values: dict[str, float] = {}
    origin = {"channel": "", "detector": ""}
    for word in words[1:]:
        name, equals, value = word.partition("=")
        if word in ("start", "end"):
            edge = word
        elif name in origin and equals:
            origin[name] = value
        elif equals:
            values[name] = _number(value, name)
        else:
            raise ValueError(f"`{word}` is neither start, end nor NAME=VALUE")
    return Event(kind, edge, time_s, time_s, origin["channel"], values, detector=origin["detector"])  # type: ignore[arg-type]


def _from_json(plain: dict[str, Any]) -> Detection:
    kind = plain.get("kind")
    if not isinstance(kind, str):
        raise ValueError("`kind` is missing")
    channel, detector = (str(plain.get(name, "")) for name in ("channel", "detector"))
    if kind in LEVEL_TYPES:
        time_s = _number(plain.get("time"), "`time`")
        return Level(kind, time_s, _number(plain.get("value"), "`value`"), channel, detector)
    _known(kind)
    edge = plain.get("edge", "instant")
    if edge not in ("instant", "start", "end"):
        raise ValueError(f"`edge` is instant, start or end, not {edge!r}")
    onset_s = _number(plain.get("onset", plain.get("decided")), "`onset`")
    decided_s = _number(plain.get("decided", onset_s), "`decided`")
    values = plain.get("values", {})
    if not isinstance(values, dict):
        raise ValueError("`values` is not a set of named numbers")
    told = {str(name): value for name, value in values.items() if value is not None}
    numbers = {name: _number(value, f"`{name}`") for name, value in told.items()}
    unknown = tuple(str(name) for name in values if str(name) not in told)
    confidence = _number(plain.get("confidence", 1.0), "`confidence`")
    return Event(kind, edge, onset_s, decided_s, channel, numbers, confidence, detector, unknown=unknown)


def _known(kind: str) -> None:
    if kind not in EVENT_TYPES:
        from bridge.suggesting import nearest

        close = nearest(kind, (*EVENT_TYPES, *LEVEL_TYPES))
        hint = f"did you mean `{close}`?" if close else f"known: {', '.join(EVENT_TYPES)}"
        raise ValueError(f"there is no event `{kind}`; {hint}")


def _number(value: Any, what: str) -> float:
    from math import isfinite

    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ValueError(f"{what} is not a number: {value!r}") from None
    if not isfinite(number):
        raise ValueError(f"{what} is not a finite number")
    return number
