"""The ready rule files: in the package when it was installed, beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

import bridge


def ready_files() -> dict[str, Path]:
    """Name without ending: where it lies."""
    package = Path(bridge.__file__).parent
    for folder in (package / "configs", package.parent / "configs"):
        if folder.is_dir():
            return {path.stem: path for path in sorted(folder.glob("*.yaml"))}
    return {}
