"""The command lines that the README and the help texts give, and how each ends where no hardware is."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import click

from bridge.commands import group
from tests.test_readme import TEXT, blocks

README = TEXT["README.md"]


@dataclass(frozen=True)
class Ending:
    """``says``: a regular expression for what it prints. ``for_ever``: until Ctrl-C, once it has said so."""

    says: str
    code: int = 0
    for_ever: bool = False


# No board is plugged in where tests run, and a port that is there may be silent.
_NO_BOARD = r"(?i)no .*port"

# What ends otherwise than with 0 and some words. What is not named here has to end so.
ENDINGS = {
    "biosignal-bridge run configs/first-try.yaml --replay recording.csv --fast --dry-run --json": Ending('"press"'),
    "biosignal-bridge run configs/first-try.yaml --replay blinks.csv --fast --dry-run --json": Ending('"press"'),
    "biosignal-bridge detect recording.csv --detector blink": Ending(r"\d\d events in 60\.0 s"),
    "biosignal-bridge detect blinks.csv --detector blink --channel vertical": Ending(r"\d\d events in 60\.0 s"),
    "biosignal-bridge detect monday.edf tuesday.edf wednesday.edf --detector blink --json": Ending('"wednesday.edf".*"blink"'),
    "biosignal-bridge evaluate recording.csv --detector blink --reference marked.csv": Ending("sensitivity"),
    "biosignal-bridge evaluate blinks.csv --detector blink --reference blinks.reference.csv": Ending("sensitivity"),
    "biosignal-bridge check --channel forehead --kind eeg": Ending(_NO_BOARD, 1),
    "biosignal-bridge calibrate --detector blink --channel forehead --kind eeg --profile me.yaml": Ending(_NO_BOARD, 1),
    "biosignal-bridge run rules.yaml --dry-run": Ending(_NO_BOARD, 1),
    "biosignal-bridge run rules.yaml --armed": Ending(_NO_BOARD, 1),
    "biosignal-bridge check --keys": Ending("way of typing +none.*/dev/uinput", 1),
    "biosignal-bridge arm": Ending("this is a dry run", 1),  # the daemon beside it is one
    "biosignal-bridge login add NAME --host HOST": Ending("no password was given", 2),  # nobody is there to type one
    "biosignal-bridge run --help": Ending("Example: biosignal-bridge run"),
    "biosignal-bridge demo": Ending("would send", 130, for_ever=True),
    "biosignal-bridge demo --for 20": Ending("would send"),
    "biosignal-bridge firmware my-board && make -C my-board": Ending("acquisition.hex"),
}  # fmt: skip

# What a line leaves open, or what it takes a terminal for.
_FILLED = {
    "FILE": "rules.yaml",
    "DIR": "firmware-folder",
    "COMMAND": "run",
    "| less": "| cat",
}

# They talk to a daemon that runs, so one is started beside them.
BESIDE_A_DAEMON = ("status", "pause", "resume", "arm", "disarm", "stop")

# These belong to the checkout and not to what is installed: the one is what runs these tests, the other has its own.
OF_THE_CHECKOUT = ("./demos/start", "./tests/run")


def readme_rules() -> str:
    """The rule file that the README shows."""
    (text,) = blocks(README, "yaml")
    return text


def readme_lines() -> list[str]:
    """Each command line of the README once, from top to bottom, in blocks and in running text."""
    found = re.finditer(
        r"^ *```sh\n(.*?)^ *```$|`(biosignal-bridge [^`]+)`", README, re.MULTILINE | re.DOTALL
    )
    lines = [
        " ".join(line.split()) for hit in found for line in (hit[1] or hit[2].replace("\n", " ")).splitlines()
    ]
    return list(dict.fromkeys(_filled(line) for line in lines if line))


def help_lines() -> dict[str, str]:
    """Each command's words, and the worked example at the end of its help; a group of commands may have none."""
    return {
        " ".join(words): " ".join((command.epilog or "").rpartition("Example: ")[2].split())
        for words, command in _commands(group, [])
        if command.epilog or not isinstance(command, click.Group)
    }


def _commands(of: click.Group, before: list[str]) -> Iterator[tuple[list[str], click.Command]]:
    context = click.Context(of)
    yield before, of
    for name in of.list_commands(context):
        command = of.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from _commands(command, [*before, name])
        else:
            yield [*before, name], command


def _filled(line: str) -> str:
    for left_open, filled in _FILLED.items():
        line = re.sub(rf"(?<!\S){re.escape(left_open)}(?!\S)", filled, line)
    return line


def example(words: str) -> str:
    """The worked example of a command, as it can be run."""
    return _filled(help_lines()[words])
