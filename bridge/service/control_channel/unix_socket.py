"""A Unix socket that belongs to the user alone (mode 600), for systems that have them."""

from __future__ import annotations

import asyncio
import socket
import sys
from pathlib import Path

from bridge.trust.listener import bind_unix

assert sys.platform != "win32"


class UnixSocket:
    suffix = ".sock"

    def bind(self, path: Path) -> socket.socket:
        """Raises OSError."""
        return bind_unix(path)

    async def admits(self, reader: asyncio.StreamReader) -> bool:
        """The file's mode has kept everybody else away."""
        return True

    def connect(self, path: Path, patience_s: float) -> socket.socket:
        """Raises OSError."""
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            link.settimeout(patience_s)
            link.connect(str(path))
        except BaseException:
            link.close()
            raise
        return link
