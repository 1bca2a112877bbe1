"""A port on loopback, with a token in a file that only the user reads: for Windows.

Every user of the computer can reach a loopback port, so the first line of a connection is the token. The file
that holds the port's number and the token lies in the user's runtime folder, with mode 600. On Windows that
folder is below ``%LOCALAPPDATA%``, which lets in the user, the system and its administrators only, and new
files inherit that.

A named pipe was decided against. asyncio makes its pipes with the default security descriptor, which lets
everyone and the anonymous account open them for reading (Microsoft, "Named Pipe Security and Access Rights"),
takes no other, and does not turn away clients on other computers. What is here runs the same on every system,
so it is tested as it stands.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import secrets
import socket
from pathlib import Path

from bridge.trust.files import write_whole
from bridge.trust.listener import bind_tcp

_HOST = "127.0.0.1"
_MOST_BYTES = 4096


class LoopbackPort:
    suffix = ".port"

    def __init__(self) -> None:
        self._token = secrets.token_urlsafe(32)

    def bind(self, path: Path) -> socket.socket:
        """Raises OSError."""
        (listening,) = bind_tcp(_HOST, 0)
        try:
            listening.listen()  # whoever reads the file may connect at once
            write_whole(path, json.dumps({"port": listening.getsockname()[1], "token": self._token}))
        except BaseException:
            listening.close()
            raise
        return listening

    async def admits(self, reader: asyncio.StreamReader) -> bool:
        """Raises ValueError on too long a line."""
        return hmac.compare_digest(await reader.readline(), self._token.encode() + b"\n")

    def connect(self, path: Path, patience_s: float) -> socket.socket:
        """Raises OSError; ConnectionRefusedError also for a file that a daemon did not write."""
        with path.open("rb") as file:
            text = file.read(_MOST_BYTES)
        try:
            place = json.loads(text)
            port, token = int(place["port"]), str(place["token"])
        except (ValueError, KeyError, TypeError) as error:
            raise ConnectionRefusedError(f"{path} does not name a port") from error
        link = socket.create_connection((_HOST, port), patience_s)
        try:
            link.sendall(token.encode() + b"\n")
        except BaseException:
            link.close()
            raise
        return link
