"""The command line, one file a command. Each file is imported only when its command is used."""

from __future__ import annotations

import importlib
import sys
from typing import NoReturn

import click

# command: (module below bridge.commands, its name there, one line of help)
COMMANDS: dict[str, tuple[str, str, str]] = {
    "demo": ("demo", "command", "The whole job with a synthetic person; nothing is sent."),
    "run": ("run", "command", "Turn a signal into control, as a rule file says."),
    "new": ("new", "command", "Copy a ready rule file to start from."),
    "status": ("control", "status", "Say how the running daemon does."),
    "pause": ("control", "pause", "Pause the running daemon."),
    "resume": ("control", "resume", "Let the paused daemon go on."),
    "ports": ("ports", "command", "List the serial ports and what seems to be plugged in."),
    "calibrate": ("calibrate", "command", "Fit detectors to a person, and say how well they will work."),
    "check": ("check", "command", "Judge the signal and say what to do about it."),
    "record": ("record", "command", "Record a signal as EDF+."),
    "detect": ("detect", "command", "Print the events in a recording."),
    "evaluate": ("evaluate", "command", "Score a detector against reference annotations."),
    "firmware": ("firmware", "command", "Write the microcontroller program to a folder."),
    "unit": ("unit", "command", "Print a systemd user unit for the daemon."),
    "rules": ("rules", "command", "Check, try and explain rule files."),
    "login": ("login", "command", "Keep passwords and certificates, each for its hosts only."),
}


class _Lazy(click.Group):
    """A group that knows its commands' names and loads a command's module when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        file, name, _ = COMMANDS[cmd_name]
        command = getattr(importlib.import_module(f"bridge.commands.{file}"), name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (*_, text) in COMMANDS.items()])


@click.group(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Example: biosignal-bridge demo",
)
@click.version_option(package_name="biosignal-bridge", message="%(version)s")
def group() -> None:
    """Turn blinks, glances, contractions and heartbeats into keystrokes, OSC messages and MQTT publications.

    Not a medical device. Battery power only, nothing on mains, no implants, not for vehicles or machinery,
    never the only safety control.
    """


def main() -> NoReturn:
    """Entry point: 0 done, 1 failed, 2 wrong use or invalid file, 130 interrupted."""
    try:
        status = group.main(standalone_mode=False)
        sys.exit(status if isinstance(status, int) else 0)
    except click.exceptions.Abort:
        sys.exit(130)
    except KeyboardInterrupt:
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except BrokenPipeError:
        # The reader of our output has gone (`| head`): not our failure.
        sys.stderr.close()
        sys.exit(0)
