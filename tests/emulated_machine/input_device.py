"""A kernel input device as a program reads it: by hand, so that no library of the typing side is trusted.

Sources: the kernel's Documentation/input/input.rst (struct input_event) and include/uapi/linux/input.h (ioctls).
"""

from __future__ import annotations

import fcntl
import os
import select
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

EV_KEY, EV_REL = 1, 2

_EVENT = struct.Struct("@llHHi")
_MOST_CODES = 0x300  # KEY_CNT
_CLOCK_MONOTONIC = 1


def _request(direction: int, number: int, size: int) -> int:
    """An ioctl number of the input devices: direction (1 write, 2 read), size and number (asm-generic/ioctl.h)."""
    return direction << 30 | size << 16 | ord("E") << 8 | number


_SET_CLOCK = _request(1, 0xA0, struct.calcsize("@i"))
_GET_KEYS = _request(2, 0x18, _MOST_CODES // 8)


@dataclass(frozen=True)
class InputEvent:
    """``at_s``: the kernel's stamp on the monotonic clock."""

    at_s: float
    kind: int
    code: int
    value: int


def find(name: str) -> dict[str, Path]:
    """Nodes of the devices of this name that are there now, by the kernel's number, which is never given again."""
    found = {}
    for place in Path("/sys/class/input").glob("event*"):
        try:
            if (place / "device/name").read_text().strip() == name:
                found[(place / "device").resolve().name] = Path("/dev/input") / place.name
        except OSError:  # it went while it was looked at
            continue
    return {number: path for number, path in found.items() if path.exists()}


class InputDevice:
    """Notes what comes from a device until that has gone."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.events: list[InputEvent] = []
        self.gone = False
        self._descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        fcntl.ioctl(self._descriptor, _SET_CLOCK, struct.pack("@i", _CLOCK_MONOTONIC))

    def wait(self, enough: Callable[[list[InputEvent]], bool], within_s: float) -> bool:
        """Take in events until there are enough; False when they do not come."""
        end_s = time.monotonic() + within_s
        while not enough(self.events):
            left_s = end_s - time.monotonic()
            if left_s <= 0 or self.gone:
                return False
            if select.select([self._descriptor], [], [], left_s)[0]:
                self._read()
        return True

    def _read(self) -> None:
        try:
            data = os.read(self._descriptor, 64 * _EVENT.size)
        except BlockingIOError:
            return
        except OSError:  # ENODEV
            self.gone = True
            return
        for seconds, microseconds, kind, code, value in _EVENT.iter_unpack(data):
            if kind in (EV_KEY, EV_REL):
                self.events.append(InputEvent(seconds + microseconds / 1e6, kind, code, value))

    def down(self) -> list[int]:
        """Codes that are down, as the kernel says; none once the device has gone."""
        bits = bytearray(_MOST_CODES // 8)
        try:
            fcntl.ioctl(self._descriptor, _GET_KEYS, bits)
        except OSError:
            return []
        return [code for code in range(_MOST_CODES) if bits[code // 8] >> code % 8 & 1]

    def close(self) -> None:
        os.close(self._descriptor)
