"""A Unix socket that belongs to the user alone (mode 600), for systems that have them."""

from __future__ import annotations

import asyncio
import socket
import sys
from pathlib import Path

from bridge.service.control_channel import Serve

assert sys.platform != "win32"


class UnixSocket:
    suffix = ".sock"

    async def listen(self, path: Path, serve: Serve, longest: int) -> asyncio.Server:
        """Raises OSError."""
        server = await asyncio.start_unix_server(serve, path, limit=longest)
        path.chmod(0o600)
        return server

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
