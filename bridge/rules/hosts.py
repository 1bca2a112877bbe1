"""Names and addresses of hosts: one spelling for each, and which of them mean this computer alone."""

from __future__ import annotations

import ipaddress
import re

_NAME = re.compile(r"[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?", re.ASCII)
LONGEST_HOST = 253  # RFC 1035, 2.3.4, without the dot of the root


def normal_host(text: str) -> str:
    """The one spelling by which hosts are compared: lower case, IDNA (RFC 3490), no dot at the end.

    Addresses are written as RFC 5952 and dotted decimals ask. Raises ValueError for what is no host.
    """
    given = text.strip()
    if given.startswith("[") and given.endswith("]"):
        return str(ipaddress.IPv6Address(given[1:-1]))
    try:
        return str(ipaddress.ip_address(given))
    except ValueError:
        pass
    try:
        # The codec by which the sockets of Python turn a name into what is looked up.
        name = given.removesuffix(".").encode("idna").decode("ascii").lower()
    except UnicodeError as error:
        raise ValueError(f"{text!r} is no host name: {error}") from None
    if len(name) > LONGEST_HOST or not all(_NAME.fullmatch(part) for part in name.split(".")):
        raise ValueError(f"{text!r} is no host name or address")
    return name


def host_and_port(text: str) -> tuple[str, int | None]:
    """`host`, `host:port`, `[IPv6 address]:port` or an IPv6 address. Raises ValueError."""
    given = text.strip()
    host, colon, port = given.rpartition(":")
    if not colon or (":" in host and not host.endswith("]")) or given.endswith("]"):
        return normal_host(given), None
    if not (port.isascii() and port.isdigit() and 1 <= int(port) <= 65535):
        raise ValueError(f"{text!r} does not end in a port from 1 to 65535")
    return normal_host(host), int(port)


def is_loopback(host: str) -> bool:
    """Does this address or name mean this computer alone?"""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower().removesuffix(".") == "localhost"
