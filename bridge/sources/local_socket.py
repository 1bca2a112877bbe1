"""Unix sockets for samples from this computer: in the user's runtime folder, open to this user alone."""

from __future__ import annotations

import contextlib
import socket
import stat
import sys
from pathlib import Path

from bridge.sources.protocol import SourceError
from bridge.trust.listener import bind_unix
from bridge.trust.places import make_private, runtime_folder


def socket_path(name: str) -> Path:
    """Where the socket of this name lies. ``name`` is a plain word."""
    return runtime_folder() / "samples" / name


def bind(path: Path, kind: socket.SocketKind) -> socket.socket:
    """A socket of mode 600 bound to ``path``, not yet listening. Raises SourceError."""
    if sys.platform == "win32":
        raise SourceError("this system has no Unix sockets: write `protocol: tcp` and `login: NAME`")
    try:
        make_private(path.parent.parent)
        make_private(path.parent)
        with contextlib.suppress(FileNotFoundError):
            if not stat.S_ISSOCK(path.lstat().st_mode):
                raise SourceError(f"{path} is no socket; remove it")
            if _somebody_listens(path, kind):
                raise SourceError(f"another daemon takes samples at {path}; give this one a `socket:` name")
            path.unlink()  # what a killed daemon left behind
        return bind_unix(path, kind)
    except OSError as error:
        raise SourceError(f"cannot take samples at {path} ({error.strerror or error})") from error


def _somebody_listens(path: Path, kind: socket.SocketKind) -> bool:
    if sys.platform == "win32":
        return False
    with socket.socket(socket.AF_UNIX, kind) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(str(path))
        except TimeoutError:
            return True
        except OSError:
            return False
    return True
