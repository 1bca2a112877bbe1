"""The program as a user installs it: an environment made by venv and pip, and commands that run in it."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

_NOT_OF_THE_PROJECT = shutil.ignore_patterns(".git", ".venv", ".*_cache", "__pycache__", ".hypothesis")


@dataclass(frozen=True)
class Done:
    """How a command line has ended."""

    code: int
    out: str
    err: str

    @property
    def all(self) -> str:
        return self.out + self.err


@dataclass(frozen=True)
class Installation:
    """An environment with the program; ``desk`` is the folder that its commands are run in."""

    kind: str
    environment: Path
    desk: Path

    @property
    def variables(self) -> dict[str, str]:
        """Nothing of this test run's own environment but how pip reaches the network, and a home of its own."""
        kept = {
            name: value
            for name, value in os.environ.items()
            if name in ("LANG", "TERM", "SSL_CERT_FILE")
            or name.startswith("PIP_")
            or name.lower().endswith("_proxy")
        }
        return {
            **kept,
            "PATH": f"{self.environment / 'bin'}:/usr/local/bin:/usr/bin:/bin",
            "HOME": str(self.desk / "home"),
            "XDG_RUNTIME_DIR": str(self.desk / "runtime"),
        }

    def started(self, line: str) -> subprocess.Popen[str]:
        """A command line of a POSIX shell; what it starts makes a group of processes of its own."""
        return subprocess.Popen(
            ["/bin/sh", "-c", line], cwd=self.desk, env=self.variables, text=True,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip

    def run(self, line: str, within_s: float = 200.0, ended_at: str = "") -> Done:
        """What came of a command line. ``ended_at``: Ctrl-C is pressed once its output has that (an expression)."""
        # The shell gives way, so that what it says of an interrupted command is not taken for the command's.
        process = self.started(f"exec {line}" if ended_at else line)
        said = ""
        try:
            if ended_at:
                assert process.stdout is not None
                while not re.search(ended_at, said) and (more := process.stdout.readline()):
                    said += more
                os.killpg(process.pid, signal.SIGINT)
            out, err = process.communicate(timeout=within_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            out, err = process.communicate(timeout=30)
            pytest.fail(f"after {within_s:g} s it still ran: {line}\n{out}{err}")
        return Done(process.returncode, said + out, err)

    def pip(self, *arguments: str, **environment: str) -> float:
        """Seconds that pip took. Fails the test with what pip says."""
        begun = time.monotonic()
        done = subprocess.run(
            [self.environment / "bin/python", "-m", "pip", "--disable-pip-version-check", *arguments],
            cwd=self.desk, env={**os.environ, **environment}, capture_output=True, text=True,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        return time.monotonic() - begun


def new_installation(kind: str, folder: Path) -> Installation:
    """A fresh environment with what ``kind`` says, and nothing of any extra.

    ``compiled``: from the folder, as the README says. ``plain``: from a wheel, on a machine without a compiler.
    """
    made = Installation(kind, folder / "environment", folder / "desk")
    for place, mode in ((made.desk, 0o755), (made.desk / "home", 0o755), (made.desk / "runtime", 0o700)):
        place.mkdir(mode=mode)
    subprocess.run([sys.executable, "-m", "venv", made.environment], check=True)
    if kind == "compiled":
        source = folder / "biosignal-bridge"
        shutil.copytree(ROOT, source, ignore=_NOT_OF_THE_PROJECT)
        made.pip("install", str(source), BIOSIGNAL_BRIDGE_COMPILE="must")
    else:
        no_compiler = {"CC": "/no/such/compiler", "BIOSIGNAL_BRIDGE_COMPILE": "no"}
        made.pip("wheel", str(ROOT), "--no-deps", "--wheel-dir", str(folder), **no_compiler)
        (wheel,) = folder.glob("*.whl")
        assert wheel.name.endswith("-py3-none-any.whl")
        made.pip("install", str(wheel), **no_compiler)
    return made
