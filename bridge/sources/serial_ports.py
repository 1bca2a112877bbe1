"""Which serial ports there are, opening one, and saying plainly why one cannot be opened."""

from __future__ import annotations

import errno
import os
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bridge.sources.protocol import SourceError

if TYPE_CHECKING:
    import serial

# The rates boards are usually set to, the likeliest first (common practice). The last two are the rate of
# some microcontrollers' start-up code, and that of MIDI 1.0's serial line.
USUAL_BAUD = (
    115200,
    230400,
    9600,
    57600,
    38400,
    250000,
    500000,
    1000000,
    19200,
    460800,
    921600,
    2000000,
    74880,
    31250,
)


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port as the operating system knows it."""

    device: str
    description: str = ""
    serial_number: str = ""
    usb: str = ""  # vendor:product in hexadecimal, empty for a port that is not USB
    location: str = ""

    @property
    def likely(self) -> str:
        """What this port probably is, in words."""
        if self.usb:
            own = f"USB {self.usb}"
            return f"{self.description} ({own})" if self.description else f"USB serial device ({own})"
        if "bluetooth" in (self.description + self.device).lower() or "rfcomm" in self.device:
            return "Bluetooth serial port"
        if self.device.startswith("/dev/pts/"):
            return "pseudo-terminal"
        return self.description or "serial port of the computer"


def list_ports() -> list[PortInfo]:
    """All ports, those on USB first. Ports of the mainboard that are not there are left out by the system."""
    from serial.tools import list_ports as system

    found = []
    for port in system.comports():
        usb = f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None and port.pid is not None else ""
        description = port.description if port.description not in (None, "n/a") else ""
        found.append(
            PortInfo(port.device, description or "", port.serial_number or "", usb, port.location or "")
        )
    return sorted(found, key=lambda port: (not port.usb, port.device))


def port_named(device: str) -> PortInfo:
    """What is known of a port by its name; a name that the system does not list stands for itself."""
    real = os.path.realpath(device)
    return next((p for p in list_ports() if p.device in (device, real)), PortInfo(device))


def find_again(port: PortInfo, now: list[PortInfo]) -> str | None:
    """Where the same device is plugged in now: by serial number, else by place and type, else by name.

    None while it is away. A device without a serial number that comes back under its old name is the same.
    """
    if port.serial_number:
        for other in now:
            if (other.serial_number, other.usb) == (port.serial_number, port.usb):
                return other.device
        return None
    if port.usb:
        for other in now:
            if other.usb == port.usb and (other.location == port.location or other.device == port.device):
                return other.device
        return None
    return port.device


def open_port(device: str, baud: int) -> serial.Serial:
    """Open and lock a port. Raises SourceError that says why not and what to do."""
    import serial

    try:
        return serial.Serial(device, baud, timeout=0, exclusive=True if os.name == "posix" else None)
    except serial.SerialException as error:
        raise SourceError(_why(device, error.errno, str(error))) from error
    except ValueError as error:
        raise SourceError(f"port {device} cannot be set to {baud} baud; give another baud rate") from error
    except Exception as error:  # termios.error is no OSError; a port that is just going raises it
        raise SourceError(f"port {device} cannot be set up ({error}); plug it in again") from error


def _why(device: str, number: int | None, text: str) -> str:
    if number in (errno.EWOULDBLOCK, errno.EBUSY) or "lock" in text:
        return f"port {device} is in use by another program; close that program"
    if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text or "Access is denied" in text:
        return f"port {device} may not be opened; {_permission(device)}"
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "FileNotFoundError" in text:
        names = [port.device for port in list_ports()]
        there = f"there are: {', '.join(names)}" if names else "no serial port is there at all"
        return f"there is no port {device}; {there}"
    return f"port {device} cannot be opened ({text})"


def _permission(device: str) -> str:
    """How to get permission: the group that owns the device, by name, on systems that have groups."""
    if sys.platform == "win32":
        return "another program may hold it; close that program"
    import grp
    import pwd

    try:
        group = grp.getgrgid(os.stat(device).st_gid).gr_name
        user = pwd.getpwuid(os.getuid()).pw_name
    except (OSError, KeyError):
        return "ask for the right to use it"
    if group == "root":
        return "it belongs to root alone; a udev rule can give it to your group"
    return f"join the group {group} (sudo usermod -aG {group} {user}), log out and in again"
