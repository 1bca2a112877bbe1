"""A broker that means harm: it accepts, and then claims much, or leaves at once."""

from __future__ import annotations

import contextlib
import socket
import threading

# MQTT 5.0, 3.2: CONNACK, no session, success, no properties; MQTT 3.1.1 has no properties.
ACCEPTED = bytes([0x20, 3, 0, 0, 0])
# MQTT 5.0, 2.1.4: 268,435,455 is the longest remaining length; 3 in the head is a PUBLISH.
ENDLESS = bytes([0x30, 0xFF, 0xFF, 0xFF, 0x7F])


class HostileBroker:
    """Answers every CONNECT with ``answer`` and ``flood`` bytes more, then closes or waits."""

    def __init__(self, answer: bytes, *, flood: int = 0, close: bool = True) -> None:
        self._answer, self._flood, self._close = answer, flood, close
        self.connections = 0
        self.sent = 0
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                link, _ = self._socket.accept()
                self.connections += 1
                with link, contextlib.suppress(OSError):
                    link.settimeout(5.0)
                    link.recv(4096)
                    link.sendall(self._answer)
                    while self.sent < self._flood:
                        link.sendall(bytes(65_536))
                        self.sent += 65_536
                    if not self._close:
                        while link.recv(4096):
                            pass

    def stop(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join(5)
