"""Files read and written as a whole, and regular ones only: no pipe or device can keep the reader waiting."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

# Opening a pipe waits for its other end unless it is told not to; text is read as it is on every system.
_FLAGS: Final = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def read_regular_file(
    path: Path, most_bytes: int, check: Callable[[os.stat_result], None] | None = None
) -> bytes:
    """The file's content. Raises OSError where it cannot be read, is not a regular file or is larger.

    ``check`` sees what the opened file is, before anything is read, and may raise.
    """
    with os.fdopen(os.open(path, _FLAGS), "rb") as file:
        status = os.fstat(file.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise OSError(errno.EINVAL, "it is not a regular file", str(path))
        if check is not None:
            check(status)
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise OSError(errno.EFBIG, f"it is larger than {most_bytes / 1e6:g} MB", str(path))
    return data


def write_whole(path: Path, text: str) -> None:
    """Put the file in its place for this user alone (mode 600). Raises OSError.

    Atomic: a reader sees the old file or the new one, whatever happens.
    """
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
