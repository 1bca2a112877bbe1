"""What stands for Windows in these tests takes away what Windows lacks, and from our modules only."""

from __future__ import annotations

import subprocess
import sys

# Runs as a module of the project would.
OURS = """
import asyncio, contextlib, os, sys, tempfile, warnings

assert (sys.platform, os.name) == ("win32", "nt")
for module in ("termios", "tty", "fcntl", "pwd", "grp", "resource"):
    with contextlib.suppress(ModuleNotFoundError):
        __import__(module, globals())
        sys.exit(f"{module} is there")
import signal, socket
for where, name in (
    (asyncio, "start_unix_server"), (asyncio, "open_unix_connection"), (socket, "AF_UNIX"), (signal, "SIGUSR1"),
    (signal, "SIGHUP"), (os, "getuid"), (os, "fchmod"), (os, "set_blocking"),
):
    assert not hasattr(where, name), name
    try:
        getattr(where, name)
    except AttributeError:
        pass

async def loops():
    loop = asyncio.get_running_loop()
    for call in (lambda: loop.add_reader(0, print), lambda: loop.add_signal_handler(signal.SIGINT, print)):
        try:
            call()
        except NotImplementedError:
            continue
        sys.exit("the loop takes it")

asyncio.run(loops())
with tempfile.NamedTemporaryFile("w", encoding="utf-8") as file, open("other", "w", encoding="utf-8"):
    try:
        os.replace("other", file.name)
    except PermissionError:
        print("all is away")
try:
    open("other")
except EncodingWarning:
    print("encodings are asked for")
"""
OTHERS = """
import asyncio, os, signal, socket, sys, termios
assert sys.platform == "linux"
asyncio.start_unix_server, socket.AF_UNIX, signal.SIGUSR1, os.getuid
"""


def _run(code: str, name: str, env: dict[str, str]) -> subprocess.CompletedProcess[str]:
    command = f"exec(compile({code!r}, 'probe', 'exec'), {{'__name__': {name!r}}})"
    return subprocess.run(
        [sys.executable, "-c", command], env=env, cwd=env["HOME"], capture_output=True, text=True, timeout=30
    )


def test_our_modules_see_windows_and_others_do_not(env: dict[str, str]) -> None:
    ours = _run(OURS, "bridge.probe", env)
    assert ours.stdout.splitlines() == ["all is away", "encodings are asked for"], ours.stderr
    others = _run(OTHERS, "elsewhere", env)
    assert others.returncode == 0, others.stderr
