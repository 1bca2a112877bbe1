"""What `--version` says: all that tells one installation from another, for a report of what went wrong."""

from __future__ import annotations

import importlib.util
import platform

import bridge
from bridge.extras import EXTRAS, installed


def described() -> str:
    """Version and kind of build, Python and system, extras; a line each."""
    there, missing = ([name for name in EXTRAS if installed(name) is wanted] for wanted in (True, False))
    extras = ", ".join(there) or "none"
    return "\n".join(
        (
            f"biosignal-bridge {bridge.__version__} ({'compiled' if _compiled() else 'plain Python'})",
            f"Python {platform.python_version()} on {platform.platform()}",
            f"Extras: {extras}" + (f"; not installed: {', '.join(missing)}" if missing else ""),
        )
    )


def _compiled() -> bool:
    """Of the modules that the wheel compiles all are or none is, so one tells."""
    spec = importlib.util.find_spec("bridge.pipeline")
    return spec is not None and not str(spec.origin).endswith(".py")
