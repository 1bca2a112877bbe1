"""Boards and programs of every kind at once, all with the same arm: what it does, each of them sends in its way."""

from __future__ import annotations

import contextlib
import os
import random
import socket
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from pythonosc.osc_message_builder import OscMessageBuilder

from tests.acting_board import ActingBoard
from tests.components import free_port

RATE_HZ = 250
NAMES = ("frames", "text", "unix", "tcp", "udp", "osc", "lsl")


class Arm:
    """White noise of the width of real forearm EMG in counts; ``acting`` is a contraction."""

    def __init__(self, folder: Path, lsl: Any) -> None:
        self.acting = False
        self.frames = ActingBoard(folder / "frames")
        self.ports = {
            "tcp": free_port(),
            "udp": free_port(socket.SOCK_DGRAM),
            "osc": free_port(socket.SOCK_DGRAM),
        }
        self._unix = folder / "biosignal-bridge" / "samples" / "arm"
        self._text, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._text, False)
        self.text = os.ttyname(self._slave)
        self._datagrams = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._streams: dict[str, socket.socket] = {}
        info = lsl.StreamInfo("arm", "EMG", 1, RATE_HZ, lsl.cf_float32, "arm-1")
        self._outlet = lsl.StreamOutlet(info)
        self._random = random.Random(11)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)

    @property
    def sources(self) -> str:
        """The section of a rule file."""
        network = "type: network, rate: 250, anyone_on_this_computer: true"
        lines = {
            "frames": f"type: serial, port: {self.frames.link}",
            "text": f"type: serial, port: {self.text}, baud: 115200, rate: 250",
            "unix": "type: network, rate: 250, socket: arm",
            "tcp": f"{network}, protocol: tcp, port: {self.ports['tcp']}",
            "udp": f"{network}, protocol: udp, port: {self.ports['udp']}",
            "osc": f"{network}, protocol: udp, format: osc, port: {self.ports['osc']}",
            "lsl": "type: lsl, name: arm",
        }
        return "sources:\n" + "".join(
            f"  {name}: {{{text}, channels: [{{name: {name}, kind: emg}}]}}\n" for name, text in lines.items()
        )

    def __enter__(self) -> Arm:
        self.frames.plug_in()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()
        self.frames.pull()
        for each in (self._datagrams, *self._streams.values()):
            each.close()
        os.close(self._text)
        os.close(self._slave)

    def _send(self) -> None:
        begun_s, sent = time.monotonic(), 0
        while not self._stop.wait(0.02):
            self.frames.acting = self.acting
            due = round((time.monotonic() - begun_s) * RATE_HZ)
            values = [round(self._random.gauss(0.0, 60.0 if self.acting else 3.0)) for _ in range(due - sent)]
            sent = due
            text = "".join(f"{value}\n" for value in values).encode()
            for send in (self._to_port, self._to_streams, self._to_datagrams):
                send(text)
            for value in values:
                self._outlet.push_sample([float(value)])
                message = OscMessageBuilder("/arm")
                message.add_arg(float(value))
                self._datagrams.sendto(message.build().dgram, ("127.0.0.1", self.ports["osc"]))

    def _to_port(self, text: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._text, text)

    def _to_datagrams(self, text: bytes) -> None:
        self._datagrams.sendto(text, ("127.0.0.1", self.ports["udp"]))

    def _to_streams(self, text: bytes) -> None:
        """Over what is connected; without waiting, for nobody reads while the daemon is stopped."""
        connect: dict[str, Callable[[], tuple[int, Any]]] = {
            "unix": lambda: (socket.AF_UNIX, str(self._unix)),
            "tcp": lambda: (socket.AF_INET, ("127.0.0.1", self.ports["tcp"])),
        }
        for name, place in connect.items():
            if name not in self._streams:
                family, address = place()
                made = socket.socket(family)
                try:
                    made.connect(address)
                except OSError:
                    made.close()
                    continue
                made.setblocking(False)
                self._streams[name] = made
            with contextlib.suppress(OSError):  # full, or the daemon has ended
                self._streams[name].send(text)
