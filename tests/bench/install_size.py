"""What an installation takes, in MB and seconds: for the README's table. Needs the network, or pip's own cache.

    python tests/bench/install_size.py [--wheel FILE] [--pipx]

Each row is made in a fresh environment by pip from the compiled wheel, which is built first unless it is named; that
alone takes the seconds of the row "compiling". Megabytes are millions of bytes, pip and the environment itself
included. Of the seconds, those of the processor are what is left on a machine that does nothing else and has all
downloads in pip's cache. With ``--pipx`` the wheel is also installed by pipx, and its version asked for.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
EXTRAS = ("", "plots", "wfdb", "cluster", "lsl", "keyring", "all")


class Seconds:
    """What commands took together, by the clock and of the processor."""

    def __init__(self) -> None:
        self.clock = self.processor = 0.0

    def run(self, *command: Any, **environment: str) -> None:
        """Raises CalledProcessError, with what it said on stderr."""
        begun, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [str(word) for word in command], check=True, stdout=2, env={**os.environ, **environment}
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        self.clock += time.monotonic() - begun
        self.processor += after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime

    def __str__(self) -> str:
        return f"{self.clock:.0f} | {self.processor:.0f}"


def megabytes(folder: Path) -> float:
    """All files below, each once, as long as they are (not what a file system rounds them up to)."""
    files = [path for path in folder.rglob("*") if path.is_file() and not path.is_symlink()]
    return sum(path.stat().st_size for path in files) / 1e6


def measured(wheel: Path, extra: str, folder: Path) -> tuple[float, Seconds]:
    """MB and seconds of an environment with the wheel and an extra."""
    environment = folder / (extra or "core")
    took = Seconds()
    took.run(sys.executable, "-m", "venv", environment)
    wanted = f"{wheel}[{extra}]" if extra else wheel
    took.run(environment / "bin/python", "-m", "pip", "install", "--quiet", wanted)
    Seconds().run(environment / "bin/biosignal-bridge", "--version")
    return megabytes(environment), took


def by_pipx(wheel: Path, folder: Path) -> Seconds:
    """What pipx takes for the same; fails where the command is not there afterwards."""
    took, other = Seconds(), Seconds()
    other.run(sys.executable, "-m", "venv", folder / "with-pipx")
    other.run(folder / "with-pipx/bin/python", "-m", "pip", "install", "--quiet", "pipx")
    places = {name: str(folder / "pipx" / name) for name in ("PIPX_HOME", "PIPX_BIN_DIR", "PIPX_MAN_DIR")}
    took.run(folder / "with-pipx/bin/pipx", "install", wheel, **places)
    other.run(Path(places["PIPX_BIN_DIR"]) / "biosignal-bridge", "--version")
    return took


def built(folder: Path) -> tuple[Path, Seconds]:
    """The compiled wheel, and what that took."""
    took = Seconds()
    took.run(
        sys.executable, "-m", "pip", "wheel", "--quiet", ROOT, "--no-deps", "--wheel-dir", folder,
        BIOSIGNAL_BRIDGE_COMPILE="must",
    )  # fmt: skip
    (wheel,) = folder.glob("*.whl")
    return wheel, took


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--wheel", type=Path, metavar="FILE", help="one that was built before")
    parser.add_argument("--pipx", action="store_true", help="install by pipx too")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        wheel: Path | None = asked.wheel
        print("| installed | MB | seconds | of the processor |\n|---|---|---|---|", flush=True)
        if wheel is None:
            wheel, took = built(folder)
            print(f"| compiling | {wheel.stat().st_size / 1e6:.1f} (the wheel) | {took} |", flush=True)
        for extra in EXTRAS:
            size_mb, took = measured(wheel, extra, folder)
            print(f"| {extra or 'core'} | {size_mb:.0f} | {took} |", flush=True)
        if asked.pipx:
            print(f"| core, by pipx | | {by_pipx(wheel, folder)} |")


if __name__ == "__main__":
    main()
