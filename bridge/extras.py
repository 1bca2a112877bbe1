"""Optional parts of the installation: which there are, which are installed, and how to get the others."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from pathlib import Path
from typing import Final

# extra in pyproject.toml: the module that is there with it
EXTRAS: Final = {
    "plots": "matplotlib",
    "wfdb": "wfdb",
    "cluster": "distributed",
    "lsl": "pylsl",
    "keyring": "keyring",
}


class MissingExtraError(ImportError):
    """What was asked for needs an extra; the message is one line with the command that installs it."""


def installed(extra: str) -> bool:
    """Is this extra's library there? It is looked for and not loaded."""
    return importlib.util.find_spec(EXTRAS[extra]) is not None


def need(extra: str, what: str) -> None:
    """Raises MissingExtraError, which says that ``what`` needs the extra, where that is not installed."""
    if not installed(extra):
        # pip takes an extra's requirements from the installed program, however that was installed.
        raise MissingExtraError(
            f"{what} needs {EXTRAS[extra]}: {install_command(f'biosignal-bridge[{extra}]')}"
        )


def install_command(requirement: str) -> str:
    """The command that adds a package to the environment that this program runs in."""
    quote = '"' if os.name == "nt" else "'"
    asked = f"install {quote}{requirement}{quote}" if "[" in requirement else f"install {requirement}"
    if (Path(sys.prefix) / "pipx_metadata.json").exists():
        return f"pipx runpip biosignal-bridge {asked}"
    pip = shutil.which("pip")
    if pip is not None and Path(pip).parent == Path(sys.executable).parent:
        return f"pip {asked}"
    # What is called pip here would install into another environment.
    python = f"{quote}{sys.executable}{quote}" if " " in sys.executable else sys.executable
    return f"{python} -m pip {asked}"
