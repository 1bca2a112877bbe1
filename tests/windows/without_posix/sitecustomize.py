"""Shows the project's own modules what they would see on Windows, as far as Linux can show it.

Python runs this at its start, in every process that inherits PYTHONPATH with this folder. The standard library and
the other libraries keep their own ways, for on Windows they have others of their own; what is imported by or called
from a module of `bridge` is changed:

- what Windows lacks cannot be imported or is not there (`termios`, `AF_UNIX`, `SIGUSR1`, `os.getuid` …);
- `sys.platform` is `win32` and `os.name` is `nt`;
- the event loop refuses `add_reader`, `add_writer` and `add_signal_handler`, as the proactor loop does;
- signal number 0 ends a process instead of asking for it, an open file can neither be replaced nor removed, a folder cannot
  be opened, and file names may not hold what Windows keeps for itself;
- a text file that is opened without an encoding is an error, for there it would not be UTF-8.

Sources: the availability notes of Python's library reference; typeshed's `sys.platform` branches.
"""

from __future__ import annotations

import asyncio
import asyncio.unix_events
import builtins
import errno
import os
import select
import signal
import socket
import sys
import types
import warnings
from typing import Any

OURS = "bridge"
MISSING_MODULES = {
    "termios", "tty", "pty", "fcntl", "pwd", "grp", "resource", "posix", "syslog", "readline", "curses", "crypt",
}  # fmt: skip
_MISSING_OS = [
    "WNOHANG",
    "O_NOFOLLOW",
    "O_CLOEXEC",
    "O_NONBLOCK",
    "O_DIRECTORY",
    "O_SYNC",
    "O_DSYNC",
    "chown",
    "chroot",
    "ctermid",
    "fchdir",
    "fchmod",
    "fchown",
    "fork",
    "forkpty",
    "get_blocking",
    "getegid",
    "geteuid",
    "getgid",
    "getgroups",
    "getpgid",
    "getpgrp",
    "getpriority",
    "getsid",
    "getuid",
    "killpg",
    "lchown",
    "lockf",
    "mkfifo",
    "mknod",
    "nice",
    "openpty",
    "pread",
    "pwrite",
    "sched_getaffinity",
    "sched_setaffinity",
    "set_blocking",
    "setegid",
    "seteuid",
    "setgid",
    "setpgid",
    "setsid",
    "setuid",
    "statvfs",
    "fstatvfs",
    "sysconf",
    "tcgetpgrp",
    "ttyname",
    "uname",
    "wait",
    "wait3",
    "wait4",
    "getxattr",
    "setxattr",
    "confstr",
    "posix_fallocate",
    "posix_fadvise",
    "posix_spawn",
    "pidfd_open",
]
_WINDOWS_SIGNALS = {"SIGABRT", "SIGFPE", "SIGILL", "SIGINT", "SIGSEGV", "SIGTERM"}


class Face(types.ModuleType):
    """A module as it looks on Windows: some names gone, some others."""

    def __init__(self, real: types.ModuleType, missing: set[str], **others: Any) -> None:
        super().__init__(real.__name__, real.__doc__)
        self.__dict__.update(others, _real=real, _missing=missing)

    def __getattr__(self, name: str) -> Any:
        if name in self.__dict__["_missing"]:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r} on Windows")
        return getattr(self.__dict__["_real"], name)


def _kill(pid: int, number: int) -> None:
    # os.kill on Windows: any number but the two console events ends the process; 0 is one of those.
    os.kill(pid, signal.SIGINT if number == 0 else signal.SIGKILL)


def _open(path: Any, flags: int, *rest: Any, **named: Any) -> int:
    if os.path.isdir(path):
        raise PermissionError(errno.EACCES, "a folder cannot be opened on Windows", str(path))
    return os.open(path, flags, *rest, **named)


def _signal_names() -> set[str]:
    return {
        name
        for name in dir(signal)
        if name.startswith("SIG") and "_" not in name and name not in _WINDOWS_SIGNALS
    }


def _keyboard() -> types.ModuleType:
    """`msvcrt`'s two calls, on the terminal of this process."""
    module = types.ModuleType("msvcrt")

    def waiting() -> bool:
        return bool(select.select([0], [], [], 0)[0])

    def read() -> str:
        return os.read(0, 1).decode("latin-1")

    if os.isatty(0):
        import tty

        tty.setcbreak(0)
    module.__dict__.update(kbhit=waiting, getwch=read)
    return module


FACES: dict[str, types.ModuleType] = {
    "sys": Face(sys, {"getdlopenflags", "abiflags"}, platform="win32"),
    "os": Face(os, set(_MISSING_OS), name="nt", kill=_kill, open=_open),
    "signal": Face(
        signal, _signal_names() | {"pthread_kill", "alarm", "setitimer", "pause"}, SIGBREAK=signal.SIGQUIT
    ),
    # The option that keeps others off a port is stood in for by a harmless one.
    "socket": Face(socket, {"AF_UNIX", "SO_REUSEPORT"}, SO_EXCLUSIVEADDRUSE=socket.SO_KEEPALIVE),
    "asyncio": Face(
        asyncio,
        {
            "start_unix_server",
            "open_unix_connection",
            "SelectorEventLoop",
            "get_child_watcher",
            "ThreadedChildWatcher",
        },
    ),
}

_import = builtins.__import__


def _is_ours(name: str) -> bool:
    return name == OURS or name.startswith(OURS + ".")


def _changed_import(name: str, module: Any = None, *rest: Any, **named: Any) -> types.ModuleType:
    """As `__import__` is called: the second argument is the importing module's global names."""
    module = named.get("globals", module)
    level = named.get("level", rest[2] if len(rest) > 2 else 0)
    if level == 0 and module is not None and _is_ours(str(module.get("__name__"))):
        if name.partition(".")[0] in MISSING_MODULES:
            raise ModuleNotFoundError(f"No module named {name!r} on Windows", name=name)
        if name == "msvcrt" and name not in FACES:
            FACES[name] = _keyboard()
        if name in FACES:
            return FACES[name]
    if named:
        return _import(name, **({"globals": module} | named))
    return _import(name, module, *rest)


def _refused(loop: type, method: str) -> None:
    real = getattr(loop, method)

    def for_others(self: Any, *arguments: Any) -> Any:
        if _is_ours(sys._getframe(1).f_globals.get("__name__", "")):
            raise NotImplementedError(f"{method} on Windows")
        return real(self, *arguments)

    setattr(loop, method, for_others)


def _names_of_open_files() -> set[str]:
    names = set()
    for number in os.listdir("/proc/self/fd"):
        try:
            names.add(os.readlink(f"/proc/self/fd/{number}"))
        except OSError:
            continue
    return names


def _spares_open_files(method: str) -> None:
    real = getattr(os, method)

    def change(*paths: Any, **named: Any) -> Any:
        opened = _names_of_open_files()
        for path in paths:
            if not isinstance(path, int) and os.path.realpath(os.fsdecode(path)) in opened:
                raise PermissionError(errno.EACCES, "the file is open", os.fsdecode(path))
        return real(*paths, **named)

    setattr(os, method, change)


def _check_name(event: str, arguments: tuple[Any, ...]) -> None:
    if event != "open" or not isinstance(arguments[0], str) or not isinstance(arguments[2], int):
        return
    if arguments[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT) and set(os.path.basename(arguments[0])) & set(
        '<>:"|?*'
    ):
        raise OSError(errno.EINVAL, 'a file name on Windows may not hold < > : " | ? *', arguments[0])


builtins.__import__ = _changed_import
for _method in (
    "add_reader",
    "remove_reader",
    "add_writer",
    "remove_writer",
    "add_signal_handler",
    "remove_signal_handler",
):
    _refused(asyncio.unix_events._UnixSelectorEventLoop, _method)
for _method in ("replace", "rename", "unlink", "remove"):
    _spares_open_files(_method)
sys.addaudithook(_check_name)
warnings.filterwarnings("error", category=EncodingWarning, module=rf"{OURS}\.")
