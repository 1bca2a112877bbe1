"""`new`: a copy of a ready rule file to start from."""

from __future__ import annotations

from pathlib import Path

import click

from bridge.commands.ready_files import ready_files
from bridge.commands.recording_options import InvalidInput


@click.command(epilog="Example: biosignal-bridge new slides")
@click.argument("name", required=False)
@click.option(
    "--to", type=click.Path(path_type=Path), metavar="FILE", help="Where the copy goes; NAME.yaml here."
)
def command(name: str | None, to: Path | None) -> None:
    """Copy the ready rule file NAME to start from; without NAME list what there is."""
    ready = ready_files()
    if name is None:
        for known, path in ready.items():
            first = path.read_text(encoding="utf-8").splitlines()[0].lstrip("# ")
            click.echo(f"{known:<16} {first}")
        return
    if name not in ready:
        raise InvalidInput(f"there is no ready file {name!r}; there are: {', '.join(ready)}")
    target = to if to is not None else Path(f"{name}.yaml")
    try:
        with target.open("x", encoding="utf-8") as copy:
            copy.write(ready[name].read_text(encoding="utf-8"))
    except FileExistsError as error:
        raise click.ClickException(f"{target} exists already; name another with --to") from error
    except OSError as error:
        raise click.ClickException(f"{target}: cannot be written: {error.strerror}") from error
    click.echo(str(target))
