"""`firmware`: the microcontroller program, as source."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import click

_PAGES = ("README.md", "other-boards.md")
FILES = {
    "atmega328p": ("acquisition.c", "Makefile", *_PAGES),
    "micropython": ("main.py", *_PAGES),
}


@click.command(epilog="Example: biosignal-bridge firmware my-board && make -C my-board")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), metavar="DIR")
@click.option(
    "--board",
    type=click.Choice(list(FILES)),
    default="atmega328p",
    show_default=True,
    help="What the program is for: a microcontroller, in C, or any board that runs MicroPython.",
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
def command(folder: Path, board: str, overwrite: bool) -> None:
    """Write the program for a board to DIR: its source and a description of its wire format.

    It samples one to six analog inputs. For an ATmega328P-class microcontroller it builds with avr-gcc and
    avr-libc; for a board that runs MicroPython it is one file. For any other board, other-boards.md says
    what to send. Battery power only where electrodes touch a person; see the README it writes.
    """
    package = resources.files("bridge.firmware")
    files = FILES[board]
    there = [name for name in files if (folder / name).exists()]
    if there and not overwrite:
        raise click.ClickException(
            f"{folder} has {', '.join(there)} already; name another folder or --overwrite"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in files:
            (folder / name).write_bytes((package / name).read_bytes())
    except OSError as error:
        raise click.ClickException(f"{folder} cannot be written ({error.strerror})") from error
    following = {
        "atmega328p": f"make -C {folder}, then make -C {folder} flash PORT=…",
        "micropython": f"set the top of {folder / 'main.py'}, then copy it to the board as main.py",
    }
    click.echo(f"{folder}: {', '.join(files)}. Next: {following[board]}", err=True)
