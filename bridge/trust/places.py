"""The folders that belong to one user, and whether they really do."""

from __future__ import annotations

import os
import stat
import sys
import warnings
from pathlib import Path


def config_folder() -> Path:
    """Where logins and the list of allowed keys are looked for (XDG_CONFIG_HOME or what stands for it)."""
    import platformdirs

    base = os.environ.get("XDG_CONFIG_HOME")
    if base:
        return Path(base) / "biosignal-bridge"
    return platformdirs.user_config_path("biosignal-bridge", appauthor=False)


def runtime_folder() -> Path:
    """Where sockets lie: XDG_RUNTIME_DIR or what stands for it on this system."""
    import platformdirs

    with warnings.catch_warnings():
        # Without XDG_RUNTIME_DIR a folder under the system's temporary one serves; nothing to worry about.
        warnings.simplefilter("ignore")
        return Path(platformdirs.user_runtime_dir("biosignal-bridge", appauthor=False))


def make_private(folder: Path) -> None:
    """Make the folder with mode 700, or see that it is ours alone. Raises OSError with the reason."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if sys.platform == "win32":
        return  # the user's own folders are closed to others by inheritance
    status = folder.lstat()
    if not stat.S_ISDIR(status.st_mode):
        raise NotADirectoryError(f"{folder} is no folder; remove it")
    if status.st_uid != os.getuid():
        raise PermissionError(f"the folder {folder} belongs to another user")
    if stat.S_IMODE(status.st_mode) & 0o077:
        folder.chmod(0o700)
