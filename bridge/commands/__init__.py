"""The command line, one file a command. Each file is imported only when its command is used."""

from __future__ import annotations

import importlib
import io
import sys
from typing import NoReturn, TextIO

import click

from bridge.extras import MissingExtraError

# command: (module below bridge.commands, its name there, one line of help)
COMMANDS: dict[str, tuple[str, str, str]] = {
    "demo": ("demo", "command", "The whole job with a synthetic person; nothing is sent."),
    "run": ("run", "command", "Turn a signal into control, as a rule file says."),
    "new": ("new", "command", "Copy a ready rule file to start from."),
    "status": ("control", "status", "Say how the running daemon does."),
    "pause": ("control", "pause", "Pause the running daemon."),
    "resume": ("control", "resume", "Let the paused daemon go on."),
    "arm": ("control", "arm", "Let the running daemon press keys."),
    "disarm": ("control", "disarm", "Let the running daemon press no more keys."),
    "stop": ("control", "stop", "End the running daemon."),
    "ports": ("ports", "command", "List the serial ports and what seems to be plugged in."),
    "calibrate": ("calibrate", "command", "Fit detectors to a person, and say how well they will work."),
    "check": ("check", "command", "Judge the signal and say what to do about it."),
    "record": ("record", "command", "Record a signal as EDF+."),
    "detect": ("detect", "command", "Print the events in a recording."),
    "evaluate": ("evaluate", "command", "Score a detector against reference annotations."),
    "firmware": ("firmware", "command", "Write the microcontroller program to a folder."),
    "man": ("man", "command", "Print the manual page."),
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

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            if args[0].startswith("-"):
                raise
            from bridge.suggesting import nearest

            meant = nearest(args[0], COMMANDS)
            mend = f"did you mean `{meant}`?" if meant else f"known: {', '.join(COMMANDS)}"
            raise click.UsageError(f"there is no command `{args[0]:.40}`; {mend}", ctx) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (*_, text) in COMMANDS.items()])


def _tell_version(context: click.Context, _: click.Parameter, asked: bool) -> None:
    if asked and not context.resilient_parsing:
        from bridge.commands.version import described

        click.echo(described())
        context.exit()


@click.group(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Example: biosignal-bridge demo",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_tell_version,
    help="Show the version, the system and which extras are installed.",
)
def group() -> None:
    """Turn blinks, glances, contractions and heartbeats into keystrokes, OSC messages and MQTT publications.

    Not a medical device. Battery power only, nothing on mains, no implants, not for vehicles or machinery,
    never the only safety control.
    """


def _take_all_characters(stream: TextIO | None) -> None:
    """Pipes and files carry UTF-8 on every system; a terminal shows `?` for what it has no character for."""
    if not isinstance(stream, io.TextIOWrapper):
        return
    if stream.isatty():
        stream.reconfigure(errors="replace")
    else:
        stream.reconfigure(encoding="utf-8", errors="replace")


def main() -> NoReturn:
    """Entry point: 0 done, 1 failed, 2 wrong use or invalid file, 130 interrupted."""
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        _take_all_characters(stream)
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
    except MissingExtraError as error:
        click.echo(f"Error: {error}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        # The reader of our output has gone (`| head`): not our failure.
        sys.stderr.close()
        sys.exit(0)
