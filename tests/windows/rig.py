"""The program as a user of Windows would start it, with what Windows lacks taken away from it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

WITHOUT_POSIX = Path(__file__).with_name("without_posix")
ROOT = Path(__file__).resolve().parents[2]


def environment(folder: Path, **more: str) -> dict[str, str]:
    """The environment of a process that sees Windows; its own files lie below ``folder``."""
    kept = {
        name: value for name, value in os.environ.items() if name in ("PATH", "LANG", "LC_ALL", "BRIDGE_DATA")
    }
    return {
        **kept,
        "HOME": str(folder),
        "TMPDIR": str(folder),
        "XDG_RUNTIME_DIR": str(folder),
        "PYTHONPATH": os.pathsep.join((str(WITHOUT_POSIX), str(ROOT))),
        "PYTHONWARNDEFAULTENCODING": "1",
        "NO_COLOR": "1",
        **more,
    }


def bridge(
    *arguments: object, env: Mapping[str, str], stdin: str = "", timeout: float = 100
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "bridge", *map(str, arguments)],
        input=stdin, capture_output=True, encoding="utf-8", timeout=timeout, env=dict(env), cwd=env["HOME"],
    )  # fmt: skip


class Running:
    """A command that runs on; what it says is collected."""

    def __init__(self, *arguments: object, env: Mapping[str, str]) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge", *map(str, arguments)],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
            env=dict(env), cwd=env["HOME"],
        )  # fmt: skip
        self.out: list[str] = []
        self.log: list[str] = []
        self._readers = [
            threading.Thread(target=self._read, args=(self.process.stdout, self.out), daemon=True),
            threading.Thread(target=self._read, args=(self.process.stderr, self.log), daemon=True),
        ]
        for reader in self._readers:
            reader.start()

    @staticmethod
    def _read(stream: Any, lines: list[str]) -> None:
        lines.extend(line.rstrip("\n") for line in stream)

    def wait_for(self, words: str, within_s: float = 30.0) -> str:
        """The first line of the log, or of the output, with these words."""
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            ended = self.process.poll() is not None
            for line in (*self.log, *self.out):
                if words in line:
                    return line
            if ended:
                break
            time.sleep(0.02)
        raise AssertionError(
            f"never said {words!r}; exit {self.process.poll()}; log {self.log}; out {self.out[-5:]}"
        )

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in list(self.out)]

    def end(self, within_s: float = 20.0) -> int:
        """Exit status of a command that ends by itself."""
        status = self.process.wait(within_s)
        for reader in self._readers:
            reader.join(5)
        return status

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(5)
        for reader in self._readers:
            reader.join(5)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
