"""`unit`: a systemd user unit for the daemon."""

from __future__ import annotations

from pathlib import Path

import click

from bridge.service.supervision import user_unit


@click.command(
    context_settings={"ignore_unknown_options": True},
    epilog="Example: biosignal-bridge unit slides.yaml --armed > ~/.config/systemd/user/slides.service",
)
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("run_options", nargs=-1, type=click.UNPROCESSED)
def command(file: Path, run_options: tuple[str, ...]) -> None:
    """Print a systemd user unit that runs FILE; further options are those of `run`."""
    click.echo(user_unit(file, run_options), nl=False)
