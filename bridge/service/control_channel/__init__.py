"""How another process of the same user reaches the daemon: one module a system, behind one interface.

A daemon that listens leaves one file in the user's own runtime folder, named after its process. Whoever can
open that file can reach the daemon; nobody but the user can.
"""

from __future__ import annotations

import asyncio
import socket
import sys
from pathlib import Path
from typing import Protocol


class ControlChannel(Protocol):
    """One way to listen and to connect. ``suffix`` is that of the file that it leaves."""

    suffix: str

    def bind(self, path: Path) -> socket.socket:
        """A socket to take connections at; whoever finds ``path`` can connect to it. Raises OSError."""
        ...

    async def admits(self, reader: asyncio.StreamReader) -> bool:
        """May who has connected go on? Reads what it must say first. Raises ValueError on too long a line."""
        ...

    def connect(self, path: Path, patience_s: float) -> socket.socket:
        """A connection to the daemon that left this file, admitted.

        Raises OSError, ConnectionRefusedError when none listens.
        """
        ...


def for_this_system() -> ControlChannel:
    if sys.platform == "win32":
        from bridge.service.control_channel.loopback_port import LoopbackPort

        return LoopbackPort()
    else:  # noqa: RET505 (what follows is not there for a type checker on Windows)
        from bridge.service.control_channel.unix_socket import UnixSocket

        return UnixSocket()
