"""Sets up a virtual environment beside the project and runs the demo: no hardware, nothing is sent.

Needs nothing but Python: `python3 demos/start.py`, on Windows `py demos\\start.py`. Arguments go to
`biosignal-bridge demo` (try --for 20).
"""

from __future__ import annotations

import os
import subprocess
import sys
import zlib

OLDEST = (3, 11)
ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
ENVIRONMENT = os.path.join(ROOT, ".venv")


class SetUpError(Exception):
    """The environment cannot be made; the message says why and what to do."""


def environment_python(system: str = os.name) -> str:
    """Path of the environment's Python, whether it is there or not."""
    if system == "nt":
        return os.path.join(ENVIRONMENT, "Scripts", "python.exe")
    return os.path.join(ENVIRONMENT, "bin", "python")


def prepare(extra: str = "", more: tuple[tuple[str, ...], ...] = ()) -> str:
    """Make the environment, once for each state of pyproject.toml; returns its Python. Raises SetUpError.

    ``extra`` is the project's optional part to install, ``more`` further arguments of `pip install`.
    """
    python = environment_python()
    if not os.path.exists(python):
        if sys.version_info < OLDEST:
            wanted, here = (".".join(map(str, version[:2])) for version in (OLDEST, sys.version_info))
            raise SetUpError(
                f"Python {wanted} or newer is needed, and {sys.executable} is {here}. Install "
                "a newer one, or start this with it: PYTHON=/path/to/python ./demos/start, "
                f"on Windows py -{wanted} demos\\start.py"
            )
        print("Making a virtual environment in .venv …", file=sys.stderr)
        if subprocess.call([sys.executable, "-m", "venv", ENVIRONMENT]) != 0:
            raise SetUpError(
                "The virtual environment could not be made. "
                "On Debian and Ubuntu: apt-get install python3-venv"
            )
    with open(os.path.join(ROOT, "pyproject.toml"), "rb") as file:
        state = f"{zlib.crc32(file.read())}\n"
    stamp = os.path.join(ENVIRONMENT, f"installed-{extra or 'plain'}")
    if os.path.exists(stamp):
        with open(stamp, encoding="utf-8") as file:
            if file.read() == state:
                return python
    print("Installing biosignal-bridge into .venv (a minute or two the first time) …", file=sys.stderr)
    project = f"{ROOT}[{extra}]" if extra else ROOT
    for arguments in (("--editable", project), *more):
        pip = [python, "-m", "pip", "install", "--disable-pip-version-check", *arguments]
        # What pip tells is no output of the demo.
        if subprocess.call(pip, stdout=sys.stderr.fileno()) != 0:
            raise SetUpError("The installation failed; the lines above say why. The network may be needed.")
    with open(stamp, "w", encoding="utf-8") as file:
        file.write(state)
    return python


def run(command: list[str]) -> int:
    """Run in the place of this process, or where the system has no such thing, wait; returns exit status."""
    if os.name == "posix":
        os.execv(command[0], command)
    with subprocess.Popen(command) as child:
        while True:
            try:
                return child.wait()
            except KeyboardInterrupt:
                continue  # Ctrl-C reaches both; the demo decides what it means


def main(arguments: list[str]) -> int:
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        python = prepare()
    except SetUpError as error:
        print(error, file=sys.stderr)
        return 1
    return run([python, "-m", "bridge", "demo", *arguments])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
