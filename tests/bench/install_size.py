"""What an installation takes, in MB and seconds: for the README's table. Needs the network, or pip's own cache.

    python tests/bench/install_size.py [--pipx]

Each row is made in a fresh environment by pip from the compiled wheel, which is built first; that alone takes the
seconds of the row "compiling". Megabytes are millions of bytes, pip and the environment itself included. With
``--pipx`` the wheel is also installed by pipx, and its version asked for.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
EXTRAS = ("", "plots", "wfdb", "cluster", "lsl", "all")


def timed(*command: Any, **environment: str) -> float:
    """Seconds that it took. Raises CalledProcessError, with what it said on stderr."""
    begun = time.monotonic()
    subprocess.run([str(word) for word in command], check=True, stdout=2, env={**os.environ, **environment})
    return time.monotonic() - begun


def megabytes(folder: Path) -> float:
    """All files below, each once, as long as they are (not what a file system rounds them up to)."""
    files = [path for path in folder.rglob("*") if path.is_file() and not path.is_symlink()]
    return sum(path.stat().st_size for path in files) / 1e6


def measured(wheel: Path, extra: str, folder: Path) -> tuple[float, float]:
    """MB and seconds of an environment with the wheel and an extra."""
    environment = folder / (extra or "core")
    took_s = timed(sys.executable, "-m", "venv", environment)
    wanted = f"{wheel}[{extra}]" if extra else str(wheel)
    took_s += timed(environment / "bin/python", "-m", "pip", "install", "--quiet", wanted)
    timed(environment / "bin/biosignal-bridge", "--version")
    return megabytes(environment), took_s


def by_pipx(wheel: Path, folder: Path) -> float:
    """Seconds that pipx takes for the same; fails where the command is not there afterwards."""
    timed(sys.executable, "-m", "venv", folder / "with-pipx")
    timed(folder / "with-pipx/bin/python", "-m", "pip", "install", "--quiet", "pipx")
    places = {name: str(folder / "pipx" / name) for name in ("PIPX_HOME", "PIPX_BIN_DIR", "PIPX_MAN_DIR")}
    took_s = timed(folder / "with-pipx/bin/pipx", "install", wheel, **places)
    timed(Path(places["PIPX_BIN_DIR"]) / "biosignal-bridge", "--version")
    return took_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--pipx", action="store_true", help="install by pipx too")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        compiling_s = timed(
            sys.executable, "-m", "pip", "wheel", "--quiet", ROOT, "--no-deps", "--wheel-dir", folder,
            BIOSIGNAL_BRIDGE_COMPILE="must",
        )  # fmt: skip
        (wheel,) = folder.glob("*.whl")
        print("| installed | MB | seconds |\n|---|---|---|", flush=True)
        for extra in EXTRAS:
            size_mb, took_s = measured(wheel, extra, folder)
            print(f"| {extra or 'core'} | {size_mb:.0f} | {took_s:.0f} |", flush=True)
        print(f"| compiling | {wheel.stat().st_size / 1e6:.1f} (the wheel) | {compiling_s:.0f} |", flush=True)
        if asked.pipx:
            print(f"| core, by pipx | | {by_pipx(wheel, folder):.0f} |")


if __name__ == "__main__":
    main()
