"""The project's wheel, built from this checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def build(folder: Path, **environment: str) -> Path:
    """The wheel, built by what is installed here."""
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", str(ROOT), "--no-deps", "--no-build-isolation", "--wheel-dir", str(folder)],
        env={**os.environ, **environment}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = folder.glob("*.whl")
    return wheel


def unpack_compiled(folder: Path) -> Path:
    """A folder with what the compiled wheel installs, to be put on ``PYTHONPATH``."""
    with zipfile.ZipFile(build(folder / "built", BIOSIGNAL_BRIDGE_COMPILE="must")) as wheel:
        wheel.extractall(folder / "installed")
    return folder / "installed"
