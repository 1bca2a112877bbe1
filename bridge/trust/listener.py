"""A listening socket that strangers cannot use up: few of them at once, and each for a short time.

A stranger is a connection that has not yet said who it is. asyncio's own servers accept whatever comes, so
that a thousand half-open connections take every descriptor of the process: recorder and guard then fail.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
import ssl
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

log = logging.getLogger("bridge")

PATIENCE_S = 5.0
_MOST_STRANGERS = 32
_BACKLOG = 64
_RESERVE = 32  # descriptors that no connection gets: a guard that starts takes six, a recording one or two
_NO_ROOM = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})


def most_strangers() -> int:
    """How many at once: a few dozen, fewer where the process may open few files."""
    allowed = _most_descriptors()
    return _MOST_STRANGERS if allowed is None else max(4, min(_MOST_STRANGERS, allowed // 16))


def _most_descriptors() -> int | None:
    """The process's limit of open files; None where there is none."""
    if sys.platform == "win32":
        return None
    import resource

    allowed, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return None if allowed < 0 else allowed


class _Stranger:
    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.transport: asyncio.Transport | None = None
        self.task: asyncio.Task[None] | None = None
        self.timer: asyncio.TimerHandle | None = None


class Listener:
    """Accepts connections for ``serve``, a factory of protocols.

    Whoever has not been named to ``know`` within ``patience_s`` is dropped, the TLS handshake included; when
    there are more than ``most`` of them the oldest goes. ``dropped`` and ``failed`` count: those, and
    handshakes that came to nothing.
    """

    def __init__(
        self,
        name: str,
        sockets: Sequence[socket.socket],
        serve: Callable[[], asyncio.Protocol],
        *,
        tls: ssl.SSLContext | None = None,
        most: int | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.dropped = 0
        self.failed = 0
        self._name = name
        self._sockets = tuple(sockets)
        self._serve = serve
        self._tls = tls
        self._most = most_strangers() if most is None else most
        self._patience_s = patience_s
        self._strangers: dict[int, _Stranger] = {}  # by descriptor, oldest first
        self._loop = asyncio.get_running_loop()
        for each in self._sockets:
            each.setblocking(False)
            each.listen(_BACKLOG)
        self._tasks = [asyncio.create_task(self._accept(each)) for each in self._sockets]

    @property
    def strangers(self) -> int:
        self._forget_closed()
        return len(self._strangers)

    def know(self, transport: asyncio.BaseTransport | None) -> None:
        """This connection has said who it is: it may stay."""
        connection = None if transport is None else transport.get_extra_info("socket")
        if connection is not None:
            stranger = self._strangers.pop(connection.fileno(), None)
            if stranger is not None and stranger.timer is not None:
                stranger.timer.cancel()

    async def close(self) -> None:
        """Stop listening and drop every stranger; those who are known are left. May be called twice."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for each in self._sockets:
            each.close()
        serving = [stranger.task for stranger in self._strangers.values() if stranger.task is not None]
        for stranger in list(self._strangers.values()):
            self._drop(stranger)
        await asyncio.gather(*serving, return_exceptions=True)

    async def _accept(self, listening: socket.socket) -> None:
        while True:
            try:
                connection, _ = await self._loop.sock_accept(listening)
            except OSError as error:
                log.warning("%s: cannot accept a connection: %s", self._name, error.strerror or error)
                await asyncio.sleep(1.0 if error.errno in _NO_ROOM else 0.05)
                continue
            allowed = _most_descriptors()
            # The lowest free number is given (POSIX, open): a high one means that few are left.
            if allowed is not None and connection.fileno() >= allowed - _RESERVE:
                self.dropped += 1
                log.warning("%s: too many connections; one was refused", self._name)
                connection.close()
            else:
                self._welcome(connection)
            await asyncio.sleep(0)  # whatever else the loop has to do comes between two connections

    def _welcome(self, connection: socket.socket) -> None:
        self._forget_closed()
        while len(self._strangers) >= self._most:
            self.dropped += 1
            log.warning("%s: too many connections that do not say who they are; oldest dropped", self._name)
            self._drop(next(iter(self._strangers.values())))
        stranger = _Stranger(connection)
        self._strangers[connection.fileno()] = stranger
        stranger.timer = self._loop.call_later(self._patience_s, self._expire, stranger)
        stranger.task = asyncio.create_task(self._connect(stranger))

    async def _connect(self, stranger: _Stranger) -> None:
        descriptor = stranger.connection.fileno()
        handshake_s = self._patience_s if self._tls is not None else None
        try:
            transport, _ = await self._loop.connect_accepted_socket(
                self._serve, stranger.connection, ssl=self._tls, ssl_handshake_timeout=handshake_s
            )
            stranger.transport = transport
        except (OSError, asyncio.CancelledError) as error:
            if self._strangers.get(descriptor) is stranger:
                del self._strangers[descriptor]
            if stranger.timer is not None:
                stranger.timer.cancel()
            if isinstance(error, asyncio.CancelledError):
                raise
            self.failed += 1
            log.warning("%s: a connection came to nothing: %s", self._name, _reason(error))

    def _forget_closed(self) -> None:
        for descriptor, stranger in list(self._strangers.items()):
            if stranger.connection.fileno() < 0:
                del self._strangers[descriptor]
                if stranger.timer is not None:
                    stranger.timer.cancel()

    def _expire(self, stranger: _Stranger) -> None:
        if stranger.connection.fileno() >= 0:
            self.dropped += 1
            log.debug("%s: a connection did not say who it is within %g s", self._name, self._patience_s)
        self._drop(stranger)

    def _drop(self, stranger: _Stranger) -> None:
        for descriptor, each in list(self._strangers.items()):
            if each is stranger:
                del self._strangers[descriptor]
        if stranger.timer is not None:
            stranger.timer.cancel()
        if stranger.transport is not None:
            stranger.transport.abort()
        elif stranger.task is not None:
            stranger.task.cancel()


def _reason(error: OSError) -> str:
    if isinstance(error, ssl.SSLError):
        return f"TLS: {error.reason or 'no handshake'}"
    return error.strerror or str(error) or type(error).__name__


def bind_unix(path: Path, kind: socket.SocketKind = socket.SOCK_STREAM) -> socket.socket:
    """A Unix socket of mode 600 bound to ``path``, which must not exist. Raises OSError."""
    if sys.platform == "win32":
        raise OSError("this system has no Unix sockets")
    made = socket.socket(socket.AF_UNIX, kind)
    try:
        made.bind(str(path))
        path.chmod(0o600)  # before it listens
        made.setblocking(False)
    except OSError:
        made.close()
        raise
    return made


def bind_tcp(host: str, port: int) -> list[socket.socket]:
    """Sockets bound to every address that ``host`` stands for. Raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    sockets: list[socket.socket] = []
    try:
        for family, kind, protocol, _, address in dict.fromkeys(found):
            made = socket.socket(family, kind, protocol)
            sockets.append(made)
            if family == socket.AF_INET6:
                made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # Windows: reuse would let others take the port
                made.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
            else:
                made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            made.bind(address)
    except OSError:
        for each in sockets:
            each.close()
        raise
    return sockets
