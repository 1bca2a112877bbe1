"""The program for boards that run MicroPython, in MicroPython's own interpreter, read by our own decoder.

Pins, converters, timer, clock and line are stood in for by micropython/machine.py and board.mjs; the program
is what the command writes, with only the settings at its top changed, as a user does.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import shutil
import subprocess
from binascii import crc_hqx
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bridge.commands.firmware import FILES
from bridge.commands.firmware import command as firmware
from bridge.signals.types import Block
from bridge.sources.frames import FrameDecoder, Hello, Message, Sample, cobs_decode, line_budget
from bridge.sources.lines import LineDecoder
from bridge.sources.protocol import SourceError
from bridge.sources.serial import SerialSource
from bridge.sources.wiring import Wire

HERE = Path(__file__).with_name("micropython")
ROOT = Path(__file__).parents[2]
# tests/run installs it.
INTERPRETER = ROOT / ".tools/node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs"
PINS = (26, 27, 28, 29, 30, 31)
RAMP_HZ = 1000


@dataclass
class Bench:
    """What is connected to a board, and what its user set at the top of the program."""

    folder: Path
    pins: tuple[int, ...] = (26, 27, 28)
    bits: int = 12
    line: str = '"usb"'
    baud: int = 1_000_000
    commands: list[tuple[float, str]] = field(default_factory=list)
    late_us: dict[int, int] = field(default_factory=dict)
    stalls: list[tuple[float, float]] = field(default_factory=list)
    hard_timers: bool = True
    port: str | None = None

    def start(self, seconds: float) -> subprocess.Popen[bytes]:
        node = shutil.which("node")
        if node is None or not INTERPRETER.exists():
            pytest.fail("needs node and MicroPython's WebAssembly port; tests/run installs both")
        written = CliRunner().invoke(firmware, [str(self.folder), "--board", "micropython", "--overwrite"])
        assert written.exit_code == 0, written.output
        program = self.folder / "main.py"
        text = program.read_text()
        for name, value in (
            ("INPUTS", repr(self.pins)),
            ("BITS", str(self.bits)),
            ("LINE", self.line),
            ("BAUD", str(self.baud)),
        ):
            text, found = re.subn(
                rf"^{name} = \S+(?: \d+, \d+\))?(?=\s+#)", f"{name} = {value}", text, flags=re.M
            )
            assert found == 1, name
        program.write_text(text)
        wave = self.folder / "wave.u16"
        ramp(65536, len(self.pins)).astype("<u2").tofile(wave)
        description = self.folder / "bench.json"
        description.write_text(json.dumps(self._description(program, wave, seconds)))
        return subprocess.Popen(
            [node, str(HERE / "board.mjs"), str(INTERPRETER), str(description)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )

    def run(self, seconds: float) -> bytes:
        process = self.start(seconds)
        sent, said = process.communicate(timeout=60)
        assert process.returncode == 0, said.decode()
        return sent

    def _description(self, program: Path, wave: Path, seconds: float) -> dict[str, Any]:
        return {
            "program": str(program),
            "machine": str(HERE / "machine.py"),
            "pins": self.pins,
            "wave": str(wave),
            "wave_hz": RAMP_HZ,
            "end_us": round(seconds * 1e6),
            "hard_timers": self.hard_timers,
            "commands": [(round(at_s * 1e6), text) for at_s, text in self.commands],
            "late_us": self.late_us,
            "stalls": [[round(edge_s * 1e6) for edge_s in stall] for stall in self.stalls],
            "port": self.port,
        }


def ramp(rows: int, pins: int) -> np.ndarray:
    """What the converters read: one of 16 bits more in each millisecond, each pin 1000 after the one before."""
    return (np.arange(rows)[:, None] + np.arange(pins) * 1000) % 65536


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "board")


def heard(sent: bytes) -> list[Message]:
    decoder = FrameDecoder()
    messages = decoder.feed(sent)
    assert decoder.bad == 0
    return messages


def since(messages: list[Message], channels: int, rate_hz: int) -> list[Sample]:
    """The samples after the hello that says so."""
    begun = next(
        index
        for index, message in enumerate(messages)
        if isinstance(message, Hello) and (message.channels, message.rate_hz) == (channels, rate_hz)
    )
    return [message for message in messages[begun:] if isinstance(message, Sample)]


@pytest.mark.parametrize("line", ['"usb"', "machine.UART(1, BAUD)"])
@pytest.mark.parametrize("bits", [12, 16])
@pytest.mark.parametrize(("channels", "rate_hz"), [(1, 125), (3, 500), (6, 1000)])
def test_every_sample_stands_at_its_time(
    bench: Bench, line: str, bits: int, channels: int, rate_hz: int
) -> None:
    bench.pins, bench.line, bench.bits = PINS, line, bits
    bench.commands = [(0.1, f"channels {channels}\n"), (0.2, f"rate {rate_hz}\n")]
    messages = heard(bench.run(3.4))
    samples = since(messages, channels, rate_hz)
    assert [sample.number for sample in samples] == list(range(len(samples)))
    assert len(samples) > 3 * rate_hz
    values = np.array([sample.values for sample in samples]) << (16 - bits)
    first = int(values[0, 0])
    expected = first + np.arange(len(samples))[:, None] * (RAMP_HZ // rate_hz) + np.arange(channels) * 1000
    assert np.abs(values - expected).max() < 1 << (16 - bits)
    hellos = [message for message in messages if isinstance(message, Hello)]
    assert hellos[0] == Hello(1, "started", 1, bits, 250, 3300, 1_000_000, 0)
    running = [hello for hello in hellos if hello.status == "running"]
    # One a second, each with the number of the sample it stands before.
    assert [hello.number for hello in running][-3:] == [rate_hz, 2 * rate_hz, 3 * rate_hz]


def test_a_frame_is_as_the_page_has_it(bench: Bench) -> None:
    """Byte by byte, with the CRC of Python's own library: not only our decoder takes it."""
    first = bench.run(0.5).split(b"\0")[1]
    raw = cobs_decode(first)
    assert raw is not None
    assert crc_hqx(raw[:-2], 0xFFFF) == int.from_bytes(raw[-2:], "little")
    hello = b"Hbio" + bytes((1, 1, 1, 12)) + b"".join(n.to_bytes(2, "little") for n in (250, 3300, 10_000, 0))
    assert raw[:-2] == hello


def test_a_timer_that_is_late_or_fails_costs_its_own_samples_only(bench: Bench) -> None:
    """Half a period late: nothing. A period and more: that number is missing, and none comes twice."""
    bench.hard_timers = False
    # Ticks of 250 Hz: 4 ms apart. After tick 200 five are late by 21 to 5 ms, as behind a long collection.
    bench.late_us = {
        50: 2000,
        100: -1,
        101: -1,
        200: 21_000,
        201: 17_000,
        202: 13_000,
        203: 9_000,
        204: 5_000,
    }
    samples = since(heard(bench.run(2)), 1, 250)
    numbers = [sample.number for sample in samples]
    assert sorted(set(range(numbers[-1])) - set(numbers)) == [100, 101, 200, 201, 202, 203, 204]
    assert len(set(numbers)) == len(numbers)
    # What is there stands where it was taken: the ramp tells when that was, to a count of 16.
    values = np.array([sample.values[0] << 4 for sample in samples])
    assert np.abs(values - np.array(numbers) * 4 - 4).max() <= 16


def test_a_line_that_stands_still_costs_whole_samples(bench: Bench) -> None:
    bench.stalls = [(0.5, 1.5)]
    samples = since(heard(bench.run(2.5)), 1, 250)
    numbers = np.array([sample.number for sample in samples])
    missing = set(range(numbers[-1])) - set(numbers.tolist())
    assert 250 - 64 <= len(missing) < 250  # what the board keeps for the line is not lost
    assert numbers[-1] == pytest.approx(2.5 * 250, abs=2)


def test_numbers_begin_anew_after_65536(bench: Bench) -> None:
    bench.commands = [(0.1, "rate 1000\n")]
    samples = since(heard(bench.run(66.5)), 1, 1000)
    assert [sample.number for sample in samples] == [index % 65536 for index in range(len(samples))]
    assert len(samples) > 65536 + 500


def test_commands_are_answered_and_what_the_line_cannot_carry_is_refused(bench: Bench) -> None:
    bench.pins, bench.baud, bench.line = PINS, 115_200, "machine.UART(1, BAUD)"
    words = [
        "hello",
        "rate 333",
        "channels 7",
        "channels 0",
        "nonsense that is far too long",
        "rate",
        "rate 1000",
    ]
    words += ["channels 2", "channels 1", "rate 250", "channels 6", "text", "rate 500", "frames"]
    bench.commands = [(0.1 * (at + 1), word + "\r\n") for at, word in enumerate(words)]
    sent = bench.run(1.6)
    answers = [message for message in FrameDecoder().feed(sent) if isinstance(message, Hello)]
    assert line_budget(2, 1000) > 115_200 * 0.95 >= line_budget(1, 1000)
    answered = [
        (hello.status, hello.channels, hello.rate_hz) for hello in answers if hello.status != "running"
    ]
    assert answered == [
        ("started", 1, 250),
        ("unknown", 1, 250),
        ("unknown", 1, 250),
        ("unknown", 1, 250),
        ("unknown", 1, 250),
        ("started", 1, 1000),
        ("line-too-slow", 1, 1000),
        ("started", 1, 250),
        ("started", 6, 250),
        ("started", 6, 250),
        ("line-too-slow", 6, 250),
        ("started", 6, 250),
    ]


def test_text_lines(bench: Bench) -> None:
    bench.commands = [(0.1, "channels 2\ntext\n")]
    decoder = LineDecoder(2)
    rows = np.array(decoder.feed(bench.run(2)))
    assert len(rows) > 400
    assert np.abs(np.diff(rows[:, 0]) - 0.25).max() < 1
    assert np.abs(rows[:, 1] - rows[:, 0] - 1000 / 16).max() < 1


@pytest.fixture
def cable() -> Iterator[Callable[[], tuple[str, str]]]:
    """Two ends of a serial line, joined by socat."""
    running: list[subprocess.Popen[str]] = []

    def lay() -> tuple[str, str]:
        process = subprocess.Popen(
            ["socat", "-d", "-d", "pty,raw,echo=0", "pty,raw,echo=0"], stderr=subprocess.PIPE, text=True
        )
        running.append(process)
        assert process.stderr is not None
        ends = [line.split()[-1] for line in (process.stderr.readline() for _ in range(2))]
        return ends[0], ends[1]

    yield lay
    for process in running:
        process.kill()
        process.wait()


def test_the_daemons_source_sets_the_board_and_reads_it(
    bench: Bench, cable: Callable[[], tuple[str, str]]
) -> None:
    """In real time over a serial line: rate and channels are asked for by command, nothing is lost."""
    board_end, our_end = cable()
    bench.port = board_end
    process = bench.start(20)

    async def scenario() -> tuple[SerialSource, list[Block]]:
        source = SerialSource([Wire(f"input {n}", "eeg") for n in range(3)], port=our_end, rate_hz=500)
        info = await source.open()
        assert info.rate == 500
        assert [(c.low, c.high, c.step) for c in info.channels] == [(0.0, 4095.0, 1.0)] * 3
        blocks: list[Block] = []
        reader = asyncio.ensure_future(source.run(blocks.append))
        limit = asyncio.get_running_loop().time() + 30
        while source.counts.samples < 1500 and asyncio.get_running_loop().time() < limit:
            await asyncio.sleep(0.02)
        reader.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await reader
        await source.close()
        with pytest.raises(SourceError, match="samples at 125, 250, 500, 1000 Hz, not 200"):
            await SerialSource([Wire("input", "eeg")], port=our_end, rate_hz=200).open()
        return source, blocks

    try:
        source, blocks = asyncio.run(scenario())
    finally:
        process.kill()
        process.communicate()
    samples = np.concatenate([block.samples for block in blocks])
    index = np.concatenate([np.arange(block.first, block.end) for block in blocks])
    assert source.counts.lost_samples == 0
    assert np.array_equal(index, np.arange(index[0], index[0] + len(index)))
    steps = np.diff(samples[:, 0])
    assert np.all((steps == 0) | (steps == 1))
    assert steps.mean() == pytest.approx(2 / 16, abs=0.01)


def test_the_page_for_other_boards_reckons_as_the_program_does(tmp_path: Path) -> None:
    target = tmp_path / "board"
    result = CliRunner().invoke(firmware, [str(target), "--board", "micropython"])
    assert result.exit_code == 0
    assert "copy it to the board as main.py" in result.output
    assert sorted(path.name for path in target.iterdir()) == sorted(FILES["micropython"])
    text = (target / "other-boards.md").read_text()
    assert len(re.findall(r"^\d+\. ", text, re.M)) == 10
    sums = re.findall(r"(\d+) × \((\d) × (\d) \+ (\d)\) × 10 = (\d+)", text)
    assert len(sums) == 2
    for rate, channels, each, more, bits in sums:
        assert int(bits) == int(rate) * (int(channels) * int(each) + int(more)) * 10
        assert int(bits) == line_budget(int(channels), int(rate), text=each == "5")
    counts = re.findall(r"([\d.]+) V(?:,| and) (\d+) bits(?: and a gain of 1000 make)? ([\d.]+) µV", text)
    assert [(volts, bits) for volts, bits, _ in counts] == [("3.3", "12"), ("5", "10")]
    for volts, resolution, microvolts in counts:
        (channel, factor) = Wire(
            "x", "eeg", gain=1000, reference_v=float(volts), bits=int(resolution)
        ).channel()
        assert channel.unit == "uV"
        assert factor == pytest.approx(float(microvolts), rel=0.01)
