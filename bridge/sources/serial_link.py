"""An open serial port joined to the event loop: bytes and the loss of the port arrive as calls."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, TypeAlias

if TYPE_CHECKING:
    import serial

OnData: TypeAlias = Callable[[bytes, float], None]
OnLost: TypeAlias = Callable[[str], None]

_READ: Final = 4096
# A port that has hung up is readable for ever and holds nothing; a live one is not that often.
_EMPTY_READS: Final = 3
_WAKE_S: Final = 0.2  # a reading thread looks this often whether it is still wanted
_JOIN_S: Final = 1.0


class SerialLink:
    """Calls ``on_data(bytes, host time)`` on the event loop's thread as bytes arrive, ``on_lost`` once."""

    def __init__(
        self,
        port: serial.Serial,
        on_data: OnData,
        on_lost: OnLost,
        *,
        threaded: bool = os.name != "posix",
    ) -> None:
        """``threaded``: read in a thread, for systems whose event loop cannot wait for a port."""
        self._port = port
        self._on_data = on_data
        self._on_lost = on_lost
        self._loop = asyncio.get_running_loop()
        self._threaded = threaded
        self._empty = 0
        self._closed = False
        self._descriptor: int | None = None
        self._reader: threading.Thread | None = None

    def start(self) -> None:
        if not self._threaded:
            self._descriptor = self._port.fileno()
            self._loop.add_reader(self._descriptor, self._readable, self._descriptor)
        else:
            self._port.timeout = _WAKE_S
            self._reader = threading.Thread(target=self._read_for_ever, name="serial reader", daemon=True)
            self._reader.start()

    def set_baud(self, baud: int) -> None:
        self._port.baudrate = baud

    def write(self, data: bytes) -> None:
        """Hand a few bytes to the operating system; a port that has gone is told as such."""
        try:
            self._port.write(data)
        except Exception as error:  # the driver of a port that has gone may raise anything
            self._lose(str(error))

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        if self._descriptor is not None:
            self._loop.remove_reader(self._descriptor)
        if self._reader is not None:
            # A port must not be closed while it is read from, nor opened again before it is closed.
            with contextlib.suppress(Exception):
                self._port.cancel_read()
            self._reader.join(_JOIN_S)
        with contextlib.suppress(Exception):  # a port that has gone may raise anything on closing
            self._port.close()

    def _readable(self, descriptor: int) -> None:
        try:
            data = os.read(descriptor, _READ)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._lose(error.strerror or "read error")
            return
        if data:
            self._empty = 0
            self._on_data(data, time.monotonic())
            return
        self._empty += 1
        if self._empty >= _EMPTY_READS:
            self._lose("hung up")

    def _lose(self, reason: str) -> None:
        if not self._closed:
            self.close()
            self._on_lost(reason)

    def _read_for_ever(self) -> None:
        while not self._closed:
            try:
                data = self._port.read(1) + self._port.read(self._port.in_waiting or 0)
            except Exception as error:  # the driver of a port that has gone may raise anything
                self._tell(self._lose, str(error))
                return
            if data:
                self._tell(self._hear, data, time.monotonic())

    def _tell(self, act: Callable[..., None], *arguments: Any) -> None:
        """Call on the loop's thread; a loop that has ended needs no word."""
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(act, *arguments)

    def _hear(self, data: bytes, received_s: float) -> None:
        if not self._closed:
            self._on_data(data, received_s)
