"""`firmware`: the microcontroller program, as source."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import click

FILES = ("acquisition.c", "Makefile", "README.md")


@click.command(epilog="Example: biosignal-bridge firmware my-board && make -C my-board")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), metavar="DIR")
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
def command(folder: Path, overwrite: bool) -> None:
    """Write the microcontroller program to DIR: source, Makefile and a description of its wire format.

    It samples one to six analog inputs of an ATmega328P-class board and builds with avr-gcc and avr-libc.
    Battery power only where electrodes touch a person; see the README it writes.
    """
    package = resources.files("bridge.firmware")
    there = [name for name in FILES if (folder / name).exists()]
    if there and not overwrite:
        raise click.ClickException(
            f"{folder} has {', '.join(there)} already; name another folder or --overwrite"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            (folder / name).write_bytes((package / name).read_bytes())
    except OSError as error:
        raise click.ClickException(f"{folder} cannot be written ({error.strerror})") from error
    click.echo(
        f"{folder}: {', '.join(FILES)}. Next: make -C {folder}, then make -C {folder} flash PORT=…", err=True
    )
