"""The microcontroller program, built by its own Makefile, and the emulator that runs it."""

from __future__ import annotations

import shutil
import signal
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from bridge.commands.firmware import command as firmware
from bridge.signals.types import Samples

SOURCE = Path(__file__).with_name("emulator.c")


def _need(program: str, package: str) -> None:
    if shutil.which(program) is None:
        pytest.fail(f"needs {program} (Debian package {package})")


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Write the program with the command and build it, with settings of the Makefile; gives the ELF file."""
    _need("avr-gcc", "gcc-avr and avr-libc")
    _need("make", "make")

    def make(*settings: str) -> Path:
        folder = tmp_path_factory.mktemp("firmware") / "board"
        assert CliRunner().invoke(firmware, [str(folder)]).exit_code == 0
        done = subprocess.run(["make", "-C", str(folder), *settings], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        assert (folder / "acquisition.hex").stat().st_size > 1000
        return folder / "acquisition.elf"

    return make


@pytest.fixture(scope="session")
def elf(build: Callable[..., Path]) -> Path:
    return build()


@pytest.fixture(scope="session")
def emulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    _need("gcc", "gcc")
    program = tmp_path_factory.mktemp("emulator") / "emulator"
    libraries = ["-lsimavr", "-lsimavrparts", "-lutil", "-lm", "-lelf"]
    done = subprocess.run(
        ["gcc", "-O2", "-o", str(program), str(SOURCE), *libraries], capture_output=True, text=True
    )
    if "simavr" in done.stderr and done.returncode:
        pytest.fail("needs simavr (Debian packages simavr, libsimavr-dev and libelf-dev)")
    assert done.returncode == 0, done.stderr
    return program


@dataclass(slots=True)
class Board:
    """An emulated board: ``port`` is its serial port."""

    process: subprocess.Popen[str]
    port: str

    def forget(self) -> None:
        """Count conversions anew."""
        self.process.send_signal(signal.SIGUSR1)

    def stop(self) -> tuple[int, int, int]:
        """Conversions of input 0: how many, least and greatest cycles between two."""
        self.process.terminate()
        assert self.process.stdout is not None
        text = self.process.stdout.read()
        self.process.wait(10)
        line = next(line for line in text.splitlines() if line.startswith("conversions "))
        count, least, greatest = map(int, line.split()[1:])
        return count, least, greatest


@pytest.fixture
def start(emulator: Path, tmp_path: Path) -> Iterator[Callable[..., Board]]:
    """Start a board on a waveform (rows, channels) in millivolts; ``paced`` keeps to real time."""
    running: list[subprocess.Popen[str]] = []

    def board(elf: Path, millivolts: Samples, rate: float, *, paced: bool = False) -> Board:
        wave = tmp_path / f"wave{len(running)}.f32"
        millivolts.astype("<f4").tofile(wave)
        process = subprocess.Popen(
            [str(emulator), str(elf), str(wave), str(millivolts.shape[1]), str(rate), str(int(paced))],
            stdout=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        assert process.stdout is not None
        port = next(line.split()[1] for line in process.stdout if line.startswith("port "))
        return Board(process, port)

    yield board
    for process in running:
        if process.poll() is None:
            process.kill()
        process.wait()


@pytest.fixture
def ramp() -> Samples:
    """Six inputs that rise by one count a row, each from another start, for 40 rows of 1024."""
    rows = (np.arange(1024 * 40)[:, None] + np.arange(6) * 100) % 1024
    # Half a count more than the step, so that rounding cannot fall either way.
    return (rows + 0.5) * 5000 / 1024
