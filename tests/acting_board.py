"""A board on a pseudo-terminal whose one electrode pair acts, and fails, on command.

Frames are those of our own firmware, 10 bits over the port. The muscle is white noise of the width of real
forearm EMG (a few counts at rest, tens in a contraction); only faults and times are tested with it.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import numpy as np

from bridge.sources.frames import Hello, Sample, encode

RATE_HZ = 500
MIDDLE = 512

Fault = Literal["", "railed", "stalled", "mains", "clipped", "lost", "silent"]


class ActingBoard:
    """``link`` is the port's lasting name; ``pull`` and ``plug_in`` are the cable."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.acting = False
        self.fault: Fault = ""
        self.sent = 0
        self.muscle_at: Callable[[float], float] | None = None  # counts at a moment of the monotonic clock
        self._random = np.random.default_rng(7)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._last = MIDDLE

    def plug_in(self) -> None:
        self._board, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._board, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))
        self._stop.clear()
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._thread.start()

    def pull(self) -> None:
        if self._thread is None:
            return
        self._stop.set()
        self._thread.join()
        self._thread = None
        self.link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._board)

    def _send(self) -> None:
        begun, done, before = time.monotonic(), 0, self.sent
        while not self._stop.wait(0.004):
            due = int((time.monotonic() - begun) * RATE_HZ)
            data = b""
            for index in range(self.sent, self.sent + due - done):
                if self.fault == "silent":
                    continue
                if index % RATE_HZ == 0:
                    data += encode(Hello(1, "running", 1, 10, RATE_HZ, 5000, 250_000, index & 0xFFFF))
                # A radio link that loses most of what it is given.
                if self.fault != "lost" or index % 50 == 0:
                    data += encode(
                        Sample(index & 0xFFFF, (self._value(index, begun + (index - before) / RATE_HZ),))
                    )
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._board, data)
            self.sent += due - done
            done = due

    def _value(self, index: int, at_s: float) -> int:
        muscle = (
            self.muscle_at(at_s) if self.muscle_at else self._random.normal() * (60.0 if self.acting else 3.0)
        )
        mains = np.sin(2 * np.pi * 50 * index / RATE_HZ)
        match self.fault:
            case "railed":
                return 1023
            case "stalled":
                return self._last
            case "mains":  # an open input picks up more than the converter takes
                value = MIDDLE + 3000 * mains + muscle
            case "clipped":
                value = MIDDLE + 20 * muscle + 4000 * self._random.choice((-1.0, 1.0))
            case _:
                value = MIDDLE + muscle
        self._last = int(np.clip(round(value), 0, 1023))
        return self._last
