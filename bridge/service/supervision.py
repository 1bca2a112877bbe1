"""Telling a supervisor how it goes, by systemd's sd_notify protocol, and the user unit for it.

READY=1, STATUS=, WATCHDOG=1 and STOPPING=1 as in the manual page sd_notify(3). Without NOTIFY_SOCKET in the
environment nothing is sent.
"""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path


class Supervisor:
    def __init__(self) -> None:
        self._notifier = None
        if os.environ.get("NOTIFY_SOCKET"):
            import sdnotify

            self._notifier = sdnotify.SystemdNotifier()
            if self._notifier.socket is not None:
                # A supervisor that does not read must not hold the daemon up; the library passes over it.
                self._notifier.socket.setblocking(False)

    @property
    def watchdog_s(self) -> float | None:
        """How often to call ``alive``: half of what the supervisor allows; None when it does not ask."""
        allowed_us = os.environ.get("WATCHDOG_USEC", "")
        mine = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        if self._notifier is None or not mine or not allowed_us.isdigit() or allowed_us == "0":
            return None
        return int(allowed_us) / 2e6

    def ready(self) -> None:
        self._tell("READY=1")

    def alive(self) -> None:
        self._tell("WATCHDOG=1")

    def status(self, text: str) -> None:
        self._tell("STATUS=" + text.replace("\n", " "))

    def stopping(self) -> None:
        self._tell("STOPPING=1")

    def _tell(self, message: str) -> None:
        if self._notifier is not None:
            self._notifier.notify(message)


def user_unit(rule_file: Path, arguments: Sequence[str]) -> str:
    """A systemd user unit that runs the daemon with this rule file."""
    command = [sys.executable, "-m", "bridge", "run", str(rule_file.resolve()), *arguments]
    # systemd expands % and $ itself; doubled they stand for themselves (systemd.unit(5), systemd.service(5)).
    line = " ".join(shlex.quote(word) for word in command).replace("%", "%%").replace("$", "$$")
    return f"""[Unit]
Description=Body signals to control, by {rule_file.name.replace("%", "%%")}
After=graphical-session.target

[Service]
Type=notify
NotifyAccess=main
WatchdogSec=10
ExecStart={line}
Restart=on-failure
RestartSec=2

[Install]
WantedBy=default.target
"""
