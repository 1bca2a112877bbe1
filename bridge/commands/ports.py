"""`ports`: what is plugged in."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.sources.serial_ports import PortInfo
    from bridge.sources.tuning import Heard


@click.command(epilog="Example: biosignal-bridge ports --json")
@click.argument("names", nargs=-1, metavar="[PORT]...")
@click.option("--listen/--no-listen", default=True, help="Open each port and listen for a few seconds.")
@click.option("--json", "as_json", is_flag=True, help="JSON on stdout.")
def command(names: tuple[str, ...], listen: bool, as_json: bool) -> None:
    """List serial ports: the name, what it is likely to be, and what it is heard to send.

    Listening opens the port, which restarts many boards; nothing is written to it.
    """
    from bridge.sources.serial_ports import list_ports, port_named
    from bridge.sources.tuning import Heard

    ports = [port_named(name) for name in names] if names else list_ports()
    heard = asyncio.run(_survey_all(ports)) if listen else [Heard(port) for port in ports]
    if as_json:
        click.echo(json.dumps({"ports": [_plain(item) for item in heard]}))
        return
    if not heard:
        click.echo("No serial port was found. Plug a board in; some need a driver or a data cable.", err=True)
    for item in heard:
        click.echo(f"{item.port.device}  {item.port.likely}")
        if listen:
            click.echo(f"    {_described(item)}")


async def _survey_all(ports: list[PortInfo]) -> list[Heard]:
    from bridge.sources.tuning import survey

    return list(await asyncio.gather(*(survey(port) for port in ports)))


def _described(item: Heard) -> str:
    if item.problem:
        return item.problem
    if item.own_program:
        channels = "1 channel" if item.columns == 1 else f"{item.columns} channels"
        return f"a board with the program of `firmware`: {channels} at {item.rate_hz:g} Hz, {item.baud} baud"
    numbers = "1 number" if item.columns == 1 else f"{item.columns} numbers"
    rate = f", about {item.rate_hz:g} lines a second" if item.rate_hz else ""
    return f"{numbers} a line at {item.baud} baud{rate}"


def _plain(item: Heard) -> dict[str, object]:
    return {
        "port": item.port.device,
        "likely": item.port.likely,
        "usb": item.port.usb or None,
        "serial_number": item.port.serial_number or None,
        "baud": item.baud,
        "channels": item.columns,
        "rate": item.rate_hz,
        "own_program": item.own_program,
        "problem": item.problem or None,
    }
