"""The microcontroller program in an instruction-level emulator: timing, settings, damage, and events."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import serial
from click.testing import CliRunner

from bridge.commands.firmware import FILES
from bridge.commands.firmware import command as firmware
from bridge.commands.ports import command as ports
from bridge.evaluation.running import bind_detector, run
from bridge.recordings import ChannelChoice, Recording, read
from bridge.recordings.recording import Segment
from bridge.signals.types import Block, Samples
from bridge.sources.frames import FrameDecoder, Sample, decode, encode, line_budget
from bridge.sources.lines import LineDecoder
from bridge.sources.protocol import SourceError
from bridge.sources.serial import SerialSource
from bridge.sources.wiring import Wire

if TYPE_CHECKING:
    from tests.firmware.conftest import Board

CYCLES = 16_000_000


def wires(count: int) -> list[Wire]:
    return [Wire(f"input {i}", "emg") for i in range(count)]


async def collect(
    source: SerialSource, enough: Callable[[list[Block]], bool], limit_s: float = 60
) -> list[Block]:
    blocks: list[Block] = []
    reader = asyncio.ensure_future(source.run(blocks.append))
    until = time.monotonic() + limit_s
    while not enough(blocks) and time.monotonic() < until and not reader.done():
        await asyncio.sleep(0.01)
    reader.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await reader
    await source.close()
    return blocks


def samples_of(blocks: list[Block]) -> Samples:
    return np.concatenate([block.samples for block in blocks])


@pytest.mark.parametrize("rate", [125, 250, 500, 1000])
@pytest.mark.parametrize("channels", [1, 6])
def test_samples_are_evenly_spaced_and_whole(
    elf: Path, start: Callable[..., Board], ramp: Samples, rate: int, channels: int
) -> None:
    board = start(elf, ramp, rate)

    async def scenario() -> list[Block]:
        source = SerialSource(wires(channels), port=board.port, rate_hz=rate)
        info = await source.open()
        assert info.rate == rate
        assert [(c.low, c.high, c.step) for c in info.channels] == [(0.0, 1023.0, 1.0)] * channels
        board.forget()
        blocks = await collect(source, lambda blocks: source.counts.samples >= 2 * rate)
        assert source.counts.lost_samples == 0
        assert source.counts.skipped_lines == 0
        return blocks

    samples = samples_of(asyncio.run(scenario()))
    count, least, greatest = board.stop()
    period = CYCLES / rate
    # Jitter of the conversions under 1 % of a period, in emulated cycles.
    assert count >= rate
    assert period - least < 0.01 * period
    assert greatest - period < 0.01 * period
    # Sampling runs at the crystal's rate against a waveform of that rate, so each sample is one row on.
    steps = np.diff(samples[:, 0]) % 1024
    assert np.all(steps <= 2)
    assert steps.mean() == pytest.approx(1.0, abs=0.01)
    for column in range(1, channels):
        between = (samples[:, column] - samples[:, 0]) % 1024
        # Conversions of one scan are up to 0.6 ms apart, so they may see the next row.
        assert np.all(np.abs((between - 100 * column + 512) % 1024 - 512) <= 2)


def test_what_the_line_cannot_carry_is_refused(
    build: Callable[..., Path], start: Callable[..., Board], ramp: Samples
) -> None:
    slow = build("BAUD=115200UL")
    board = start(slow, ramp, 1000)

    async def scenario(channels: int, rate: float) -> None:
        source = SerialSource(wires(channels), port=board.port, rate_hz=rate)
        try:
            await source.open()
        finally:
            await source.close()

    assert line_budget(2, 1000) > 115_200 * 0.95 >= line_budget(1, 1000)
    asyncio.run(scenario(1, 1000))
    with pytest.raises(SourceError, match="more than 115200 baud carry"):
        asyncio.run(scenario(2, 1000))
    with pytest.raises(SourceError, match="samples at 125, 250, 500, 1000 Hz, not 200"):
        asyncio.run(scenario(1, 200))


def test_text_mode_is_lines_of_numbers(elf: Path, start: Callable[..., Board], ramp: Samples) -> None:
    board = start(elf, ramp, 250, paced=True)
    with serial.Serial(board.port, 250_000, timeout=0.1) as port:
        port.write(b"channels 2\ntext\n")
        decoder = LineDecoder(2)
        rows: list[list[float]] = []
        until = time.monotonic() + 10
        while len(rows) < 200 and time.monotonic() < until:
            rows += decoder.feed(port.read(4096))
        steps = np.diff([row[0] for row in rows[20:]]) % 1024
        assert np.all(steps <= 2)
        assert steps.mean() == pytest.approx(1, abs=0.05)
        # Commands that are not known are answered by a hello that says so, and change nothing.
        port.write(b"frames\nrate 333\nchannels 9\nnonsense that is far too long for any command\nhello\n")
        frames = FrameDecoder()
        hellos = []
        until = time.monotonic() + 5
        while len(hellos) < 4 and time.monotonic() < until:
            hellos += [m for m in frames.feed(port.read(4096)) if not isinstance(m, Sample)]
        assert [h.status for h in hellos[:4]] == ["started", "unknown", "unknown", "running"]
        assert (hellos[3].channels, hellos[3].rate_hz, hellos[3].bits, hellos[3].reference_mv) == (
            2,
            250,
            10,
            5000,
        )


class Trouble:
    """A relay between board and source that damages what passes, or swallows all of it."""

    def __init__(self, port: str, seed: int, *, frame_by_frame: bool = False) -> None:
        self.board = serial.Serial(port, 250_000, timeout=0.02)
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.port = os.ttyname(self.slave)
        self.harm = False
        self.mute = False
        self._frame_by_frame = frame_by_frame
        self.lossy = False
        self.lost: list[int] = []  # numbers of the frames that went missing as wholes
        self._rest = b""
        self._random = np.random.default_rng(seed)
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._down, self._up)]
        for thread in self._threads:
            thread.start()

    def _down(self) -> None:
        while not self._stop.is_set():
            data = self.board.read(512)
            if self.mute:
                continue
            if self._frame_by_frame:
                data = self._without_some(data)
            if self.harm and data:
                kept = bytearray()
                for byte, chance in zip(data, self._random.random(len(data)), strict=True):
                    if chance < 0.001:
                        kept.append(byte ^ int(self._random.integers(1, 256)))
                    elif chance < 0.0015:
                        continue
                    elif chance < 0.002:
                        kept += bytes((byte, byte))
                    else:
                        kept.append(byte)
                data = bytes(kept)
            while data:
                data = data[os.write(self.master, data) :]

    def _without_some(self, data: bytes) -> bytes:
        """Whole frames taken out, one in twenty by itself and now and then a run of them."""
        *pieces, self._rest = (self._rest + data).split(b"\0")
        kept = b""
        for piece in pieces:
            message = decode(piece) if piece else None
            chance = self._random.random()
            running = bool(self.lost) and isinstance(message, Sample) and message.number == self.lost[-1] + 1
            if self.lossy and isinstance(message, Sample) and chance < (0.7 if running else 0.05):
                self.lost.append(message.number)
            elif piece:
                kept += b"\0" + piece + b"\0"
        return kept

    def _up(self) -> None:
        os.set_blocking(self.master, False)
        while not self._stop.wait(0.005):
            with contextlib.suppress(BlockingIOError, OSError):
                self.board.write(os.read(self.master, 64))

    def close(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(2)
        self.board.close()
        os.close(self.master)
        os.close(self.slave)


def test_damage_and_a_long_stall_leave_gaps_of_the_right_length(
    elf: Path, start: Callable[..., Board], ramp: Samples
) -> None:
    """Bytes flipped, lost and repeated, then seconds of nothing: values still stand at their index."""
    board = start(elf, ramp, 500, paced=True)
    relay = Trouble(board.port, seed=5)

    async def scenario() -> tuple[SerialSource, list[Block]]:
        source = SerialSource(wires(3), port=relay.port, rate_hz=500)
        await source.open()
        blocks: list[Block] = []
        reader = asyncio.ensure_future(source.run(blocks.append))

        async def until(end: int) -> None:
            limit = time.monotonic() + 30
            while (not blocks or blocks[-1].end < end) and time.monotonic() < limit:
                await asyncio.sleep(0.005)

        await until(500)
        relay.harm = True
        await until(5000)
        relay.harm = False
        relay.mute = True
        await asyncio.sleep(10.0)
        relay.mute = False
        await until(blocks[-1].end + 3000)
        reader.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await reader
        await source.close()
        return source, blocks

    source, blocks = asyncio.run(scenario())
    relay.close()
    board.stop()
    index = np.concatenate([np.arange(block.first, block.end) for block in blocks])
    values = samples_of(blocks)[:, 0]
    assert np.all(np.diff(index) > 0)
    assert source.counts.lost_samples == blocks[-1].end - source.counts.samples
    assert source.counts.skipped_lines > 30
    # 14 bytes a frame, two harmful events in a thousand bytes: about 2.5 % of frames are lost.
    first = index < 4900
    assert 0.94 < first.sum() / 4900 < 0.995
    assert source.counts.lost_samples > 10 * 500 * 0.9
    # The ramp rises by one a sample: its value tells the true index modulo 1024, to one either way.
    offset = (values - index) % 1024
    usual = np.median(offset[:400])
    away = np.abs((offset - usual + 512) % 1024 - 512)
    # A damaged frame that passes its CRC (one in 65536 of those damaged) may show a wrong value.
    assert np.mean(away > 2) < 0.001


def test_gaps_are_the_frames_that_were_lost(elf: Path, start: Callable[..., Board], ramp: Samples) -> None:
    """Frame by frame: what the relay took out of the stream is what is missing, and nothing else."""
    board = start(elf, ramp, 500, paced=True)
    relay = Trouble(board.port, seed=6, frame_by_frame=True)

    async def scenario() -> tuple[SerialSource, list[Block]]:
        source = SerialSource(wires(3), port=relay.port, rate_hz=500)
        await source.open()
        blocks: list[Block] = []
        reader = asyncio.ensure_future(source.run(blocks.append))

        async def until(end: int) -> None:
            limit = time.monotonic() + 30
            while (not blocks or blocks[-1].end < end) and time.monotonic() < limit:
                await asyncio.sleep(0.005)

        await until(500)
        relay.lossy = True
        await until(4000)
        relay.lossy = False
        await until(4500)
        reader.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await reader
        await source.close()
        return source, blocks

    source, blocks = asyncio.run(scenario())
    relay.close()
    board.stop()
    index = np.concatenate([np.arange(block.first, block.end) for block in blocks])
    missing = np.setdiff1d(np.arange(index[0], index[-1] + 1), index)
    assert len(relay.lost) > 200
    # Numbers and indices start apart, and stay apart by as much.
    assert np.unique(np.array(relay.lost) - missing).size == 1
    assert source.counts.lost_samples == len(relay.lost)


def test_two_boards_in_one_loop(elf: Path, start: Callable[..., Board], ramp: Samples) -> None:
    one, two = start(elf, ramp, 250, paced=True), start(elf, ramp, 250, paced=True)

    async def scenario() -> None:
        sources = [SerialSource(wires(2), port=board.port, rate_hz=250) for board in (one, two)]
        for source in sources:
            await source.open()
        both = await asyncio.gather(
            *(collect(s, lambda blocks: sum(map(len, blocks)) >= 500) for s in sources)
        )
        for source, blocks in zip(sources, both, strict=True):
            assert source.counts.lost_samples == 0
            assert source.clock is not None
            # One host clock for both: the last sample's time is when it arrived, give or take scheduling.
            assert source.clock.host_time(blocks[-1].end - 1) == pytest.approx(blocks[-1].received, abs=0.3)

    asyncio.run(scenario())
    with pytest.raises(SourceError, match="in use"):
        asyncio.run(_locked(one.port))


async def _locked(port: str) -> None:
    with serial.Serial(port, 250_000, exclusive=True):
        await SerialSource(wires(1), port=port, rate_hz=250).open()


def test_ports_knows_the_board(elf: Path, start: Callable[..., Board], ramp: Samples) -> None:
    board = start(elf, ramp, 250, paced=True)
    result = CliRunner().invoke(ports, [board.port])
    assert "a board with the program of `firmware`: 1 channel at 250 Hz" in result.output


def heartbeats(recording: Recording) -> np.ndarray:
    (binding,) = bind_detector(recording, "heartbeat")
    return np.array([event.onset for event in run(recording, binding).events if event.kind == "heartbeat"])


def test_a_real_ecg_through_the_board_gives_the_events_of_the_file(
    elf: Path, start: Callable[..., Board], data_dir: Path
) -> None:
    """MIT-BIH record 100 at the analog pin: what the daemon reads has the heartbeats that `detect` finds."""
    recording = read(data_dir / "ecg" / "100", channels=[ChannelChoice("MLII")])
    seconds = 60
    millivolts = next(recording.blocks(360 * seconds)).samples
    # An amplifier with gain 1000 round the middle of the supply, as boards have it (common practice).
    board = start(elf, 2500 + millivolts * 1000, 360)

    async def scenario() -> tuple[SerialSource, list[Block]]:
        source = SerialSource(
            [Wire("MLII", "ecg", gain=1000, reference_v=5.0, bits=10)], port=board.port, rate_hz=500
        )
        await source.open()
        return source, await collect(
            source, lambda blocks: bool(blocks) and blocks[-1].end >= 500 * (seconds - 2)
        )

    source, blocks = asyncio.run(scenario())
    board.stop()
    assert source.counts.lost_samples == 0
    assert source._assembler is not None
    read_back = Recording(source._assembler.info, [Segment(0, samples_of(blocks)[: 500 * (seconds - 2)])])
    assert read_back.info.channels[0].unit == "uV"
    direct, wired = heartbeats(recording), heartbeats(read_back)
    direct = direct[(direct > 8) & (direct < seconds - 5)]
    # The board starts some time after the waveform: find that shift from the beats themselves.
    grid = np.arange(0, 2, 0.002)
    away = np.abs(wired[None, :, None] + grid[:, None, None] - direct[None, None, :]).min(axis=1)
    best = away[int(np.argmin(away.mean(axis=1)))]
    assert direct.size > 50
    assert np.all(best < 0.03)
    assert np.sum((wired > 10) & (wired < 50)) == pytest.approx(np.sum((direct > 10) & (direct < 50)), abs=1)


def test_the_command_writes_all_and_overwrites_only_when_told(tmp_path: Path) -> None:
    target = tmp_path / "board"
    assert CliRunner().invoke(firmware, [str(target)]).exit_code == 0
    assert sorted(path.name for path in target.iterdir()) == sorted(FILES["atmega328p"])
    (target / "Makefile").write_text("mine")
    result = CliRunner().invoke(firmware, [str(target)])
    assert result.exit_code == 1
    assert "already" in result.output
    assert (target / "Makefile").read_text() == "mine"
    assert CliRunner().invoke(firmware, [str(target), "--overwrite"]).exit_code == 0
    assert (target / "Makefile").read_text() != "mine"


def test_the_table_of_the_readme_is_the_budget(tmp_path: Path) -> None:
    CliRunner().invoke(firmware, [str(tmp_path / "board")])
    text = (tmp_path / "board" / "README.md").read_text()
    rows = re.findall(
        r"^\| (\d) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (\w+) \|$", text, re.M
    )
    assert [int(row[0]) for row in rows] == [1, 2, 3, 4, 5, 6]
    for row in rows:
        channels = int(row[0])
        assert int(row[1]) == len(encode(Sample(300, (257,) * channels)))
        assert [int(cell) for cell in row[2:6]] == [line_budget(channels, r) for r in (125, 250, 500, 1000)]
        as_text = line_budget(channels, 1000, text=True)
        assert row[7] == (str(as_text) if as_text <= 250_000 * 0.95 else "refused")


def test_a_board_that_is_unplugged_and_back_is_set_again(
    elf: Path, start: Callable[..., Board], ramp: Samples, tmp_path: Path
) -> None:
    """It starts with its own settings, one channel at 250 Hz; nothing of that may reach the stream."""
    link = tmp_path / "board"
    first = start(elf, ramp, 500, paced=True)
    link.symlink_to(first.port)

    async def scenario() -> None:
        source = SerialSource(wires(3), port=str(link), rate_hz=500)
        await source.open()
        blocks: list[Block] = []
        reader = asyncio.ensure_future(source.run(blocks.append))
        await asyncio.sleep(1.5)
        first.stop()
        link.unlink()
        await asyncio.sleep(0.5)
        before = len(blocks)
        link.symlink_to(start(elf, ramp, 500, paced=True).port)
        back = time.monotonic()
        while len(blocks) == before and time.monotonic() - back < 10:
            await asyncio.sleep(0.01)
        # Promised: within 2 s of the board's first byte; reconnection itself waits up to 1 s.
        assert time.monotonic() - back < 3.0
        await asyncio.sleep(0.5)
        reader.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await reader
        await source.close()
        away_s = (blocks[before].received or 0) - (blocks[before - 1].received or 0)
        missed = blocks[before].end - blocks[before - 1].end
        assert missed / 500 == pytest.approx(away_s, abs=0.1)
        assert source.counts.reconnects >= 1
        assert source.counts.lost_samples == blocks[-1].end - source.counts.samples
        assert {block.samples.shape[1] for block in blocks} == {3}

    asyncio.run(scenario())
