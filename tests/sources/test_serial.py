"""The serial source on pseudo-terminals: what a board sends, and a port that vanishes and returns."""

from __future__ import annotations

import asyncio
import contextlib
import os
import stat
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import serial

from bridge.signals.types import Block
from bridge.sources import serial_ports
from bridge.sources.protocol import SourceCounts, SourceError
from bridge.sources.serial import SerialSource
from bridge.sources.serial_link import SerialLink
from bridge.sources.serial_ports import PortInfo, find_again, open_port
from bridge.sources.wiring import Assembler, Wire, wiring

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

ONE = [Wire("forehead", "eeg")]
TWO = [Wire("vertical", "eog-vertical"), Wire("horizontal", "eog-horizontal")]


class Board:
    """A pseudo-terminal under a fixed name that a thread writes lines to at a steady rate."""

    def __init__(self, link: Path, line: Callable[[int], str], rate: float) -> None:
        self.link, self.line, self.rate = link, line, rate
        self.sent = 0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def plug_in(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        self._slave = slave
        self._stop.clear()
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._thread.start()

    def _send(self) -> None:
        start, done = time.monotonic(), 0
        os.set_blocking(self.master, False)
        while not self._stop.wait(0.008):
            due = int((time.monotonic() - start) * self.rate)
            text = "".join(self.line(self.sent + i) for i in range(due - done))
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self.master, text.encode())
            self.sent += due - done
            done = due

    def pull(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
            self.link.unlink(missing_ok=True)
            os.close(self.master)
            os.close(self._slave)


@pytest.fixture
def boards(tmp_path: Path) -> Iterator[Callable[..., Board]]:
    made: list[Board] = []

    def make(line: Callable[[int], str], rate: float = 250.0) -> Board:
        board = Board(tmp_path / f"board{len(made)}", line, rate)
        made.append(board)
        board.plug_in()
        return board

    yield make
    for board in made:
        board.pull()


async def collect(source: SerialSource, seconds: float) -> list[Block]:
    blocks: list[Block] = []
    reader = asyncio.ensure_future(source.run(blocks.append))
    await asyncio.sleep(seconds)
    reader.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await reader
    await source.close()
    return blocks


def counter(i: int) -> str:
    return f"{i}\r\n"


def test_everything_found_out_by_listening(boards: Callable[..., Board]) -> None:
    board = boards(lambda i: f"A0:{i}, A1:{-i}\r\n", 250)

    async def scenario() -> None:
        source = SerialSource(TWO, port=str(board.link))
        info = await source.open()
        assert info.rate == 250
        assert [channel.name for channel in info.channels] == ["vertical", "horizontal"]
        blocks = await collect(source, 0.5)
        samples = np.concatenate([block.samples for block in blocks])
        # Nothing was lost between the first line that was heard and now.
        assert np.array_equal(np.diff(samples[:, 0]), np.ones(len(samples) - 1))
        assert np.array_equal(samples[:, 1], -samples[:, 0])
        assert samples.shape[0] > 250 * 3
        assert [block.first for block in blocks] == list(np.cumsum([0, *map(len, blocks[:-1])]))
        assert source.counts.samples == samples.shape[0]
        assert source.counts.skipped_lines == 0

    asyncio.run(scenario())


def test_a_stated_rate_needs_no_waiting(boards: Callable[..., Board]) -> None:
    board = boards(counter)

    async def scenario() -> float:
        source = SerialSource(ONE, port=str(board.link), baud=115200, rate_hz=250)
        before = time.monotonic()
        await source.open()
        took = time.monotonic() - before
        blocks = await collect(source, 0.4)
        assert sum(map(len, blocks)) > 50
        received = [block.received for block in blocks if block.received is not None]
        assert len(received) > 1
        assert received == sorted(received)
        return took

    assert asyncio.run(scenario()) < 1.0


def test_garbage_between_lines_is_counted(boards: Callable[..., Board]) -> None:
    board = boards(lambda i: f"{i}\n" if i % 10 else "booting \x7f...\n")

    async def scenario() -> None:
        source = SerialSource(ONE, port=str(board.link), baud=115200, rate_hz=250)
        await source.open()
        blocks = await collect(source, 0.5)
        assert source.counts.skipped_lines > 5
        assert sum(map(len, blocks)) > 60

    asyncio.run(scenario())


def test_columns_that_do_not_fit_are_an_error_with_a_mend(boards: Callable[..., Board]) -> None:
    board = boards(lambda i: f"{i},{i},{i}\n")

    async def scenario(wires: list[Wire]) -> None:
        source = SerialSource(wires, port=str(board.link), rate_hz=250)
        try:
            # The port is a pseudo-terminal, so hearing is asked for by saying which column.
            await source.open()
            await collect(source, 0.1)
        finally:
            await source.close()

    with pytest.raises(SourceError, match=r"sends 3 numbers a line, but channel 'x' is number 5"):
        asyncio.run(scenario([Wire("x", "emg", column=4)]))
    asyncio.run(scenario([Wire("x", "emg", column=2)]))


def test_extra_columns_are_an_error_when_the_rate_is_measured(boards: Callable[..., Board]) -> None:
    board = boards(lambda i: f"{i},{i}\n")

    async def scenario() -> None:
        source = SerialSource(ONE, port=str(board.link))
        try:
            await source.open()
        finally:
            await source.close()

    with pytest.raises(SourceError, match=r"sends 2 numbers a line, but `channels` names 1"):
        asyncio.run(scenario())


def test_the_column_that_was_asked_for_is_read(boards: Callable[..., Board]) -> None:
    board = boards(lambda i: f"{i},{1000 + i},{2000 + i}\n")

    async def scenario() -> None:
        source = SerialSource([Wire("x", "emg", column=1)], port=str(board.link), rate_hz=250)
        await source.open()
        blocks = await collect(source, 0.3)
        samples = np.concatenate([block.samples for block in blocks])
        assert samples.shape[1] == 1
        assert samples.min() >= 1000
        assert np.array_equal(np.diff(samples[:, 0]), np.ones(len(samples) - 1))

    asyncio.run(scenario())


def test_a_port_that_vanishes_and_returns_leaves_a_gap_of_the_right_length(
    boards: Callable[..., Board],
) -> None:
    board = boards(counter)

    async def scenario() -> None:
        source = SerialSource(ONE, port=str(board.link), baud=115200, rate_hz=250)
        await source.open()
        blocks: list[Block] = []
        reader = asyncio.ensure_future(source.run(blocks.append))
        await asyncio.sleep(1.0)
        descriptors = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0
        for _ in range(5):
            before = blocks[-1].end
            board.pull()
            await asyncio.sleep(0.4)
            count = len(blocks)
            board.plug_in()
            back = time.monotonic()
            while len(blocks) == count and time.monotonic() - back < 5:
                await asyncio.sleep(0.01)
            # Promised: within 2 s of the board's first byte.
            assert time.monotonic() - back < 2
            away_s = (blocks[count].received or 0) - (blocks[count - 1].received or 0)
            missed_s = (blocks[count].end - before) / 250
            assert missed_s == pytest.approx(away_s, abs=0.05)
            await asyncio.sleep(0.1)
        reader.cancel()
        assert source.counts.reconnects == 5
        assert source.counts.lost_samples >= 5 * 0.3 * 250
        if descriptors:
            assert len(os.listdir("/proc/self/fd")) <= descriptors + 1
        await source.close()

    asyncio.run(scenario())


def test_a_silent_port_is_an_error_that_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.sources.serial.FIRST_BYTE_S", 0.1)
    monkeypatch.setattr("bridge.sources.serial._NAMED_PORT_S", 0.3)
    master, slave = os.openpty()

    async def scenario() -> None:
        await SerialSource(ONE, port=os.ttyname(slave)).open()

    with pytest.raises(SourceError, match="nothing was heard"):
        asyncio.run(scenario())
    os.close(master)
    os.close(slave)


def test_auto_takes_the_port_that_speaks(
    boards: Callable[..., Board], monkeypatch: pytest.MonkeyPatch
) -> None:
    noise = boards(lambda i: "\x80\x81\x82\n")
    board = boards(counter)
    listed = [PortInfo(str(noise.link), usb="0001:0002"), PortInfo(str(board.link), usb="0001:0002")]
    monkeypatch.setattr("bridge.sources.serial.list_ports", lambda: listed)
    monkeypatch.setattr("bridge.sources.tuning.TRY_BAUD_S", 0.15)

    async def scenario() -> None:
        source = SerialSource(ONE, rate_hz=250)
        await source.open()
        blocks = await collect(source, 0.2)
        assert sum(map(len, blocks)) > 20

    asyncio.run(scenario())


def test_no_port_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.sources.serial.list_ports", list)
    with pytest.raises(SourceError, match="no serial port was found"):
        asyncio.run(SerialSource(ONE).open())


def test_a_port_in_use_and_a_port_that_is_not_there() -> None:
    master, slave = os.openpty()
    name = os.ttyname(slave)
    first = open_port(name, 9600)
    with pytest.raises(SourceError, match="in use by another program"):
        open_port(name, 9600)
    first.close()
    os.close(master)
    os.close(slave)
    with pytest.raises(SourceError, match="there is no port /dev/nothing-here"):
        open_port("/dev/nothing-here", 9600)


def test_a_port_without_permission_names_the_group(tmp_path: Path) -> None:
    device = tmp_path / "port"
    device.touch()
    grp = pytest.importorskip("grp")
    group = next(entry for entry in grp.getgrall() if entry.gr_gid not in (0, os.getgid()))
    if os.getuid() != 0:
        pytest.skip("changing a file's group needs root")
    os.chown(device, -1, group.gr_gid)
    device.chmod(stat.S_IRUSR)
    text = serial_ports._why(str(device), 13, "Permission denied")
    assert f"join the group {group.gr_name}" in text


def test_the_same_device_is_found_again_by_its_serial_number() -> None:
    mine = PortInfo("/dev/a", "", "S1", "0001:0002", "1-1")
    assert find_again(mine, [PortInfo("/dev/b", "", "S1", "0001:0002", "1-2")]) == "/dev/b"
    assert find_again(mine, [PortInfo("/dev/a", "", "S2", "0001:0002", "1-1")]) is None
    nameless = PortInfo("/dev/a", "", "", "0001:0002", "1-1")
    assert find_again(nameless, [PortInfo("/dev/c", "", "", "0001:0002", "1-1")]) == "/dev/c"
    assert find_again(nameless, [PortInfo("/dev/c", "", "", "0003:0002", "1-1")]) is None
    assert find_again(PortInfo("/tmp/link"), []) == "/tmp/link"


def test_reading_in_a_thread_gives_the_same_bytes() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)

    async def scenario() -> None:
        heard: list[bytes] = []
        lost: list[str] = []
        link = SerialLink(
            serial.Serial(os.ttyname(slave), 115200, timeout=0),
            lambda data, _: heard.append(data),
            lost.append,
            threaded=True,
        )
        link.start()
        os.write(master, b"1,2\n3,4\n")
        for _ in range(100):
            if b"".join(heard) == b"1,2\n3,4\n":
                break
            await asyncio.sleep(0.02)
        assert b"".join(heard) == b"1,2\n3,4\n"
        os.close(master)
        for _ in range(100):
            if lost:
                break
            await asyncio.sleep(0.02)
        assert len(lost) == 1

    asyncio.run(scenario())
    os.close(slave)


def test_counts_become_microvolts_when_the_amplifier_is_known() -> None:
    # 10 bit over 5 V behind a gain of 1000: 4.88 µV a step (computed).
    channel, factor = Wire("x", "ecg", gain=1000, reference_v=5.0, bits=10).channel()
    assert factor == pytest.approx(4.8828125)
    assert (channel.unit, channel.low, channel.high) == ("uV", 0.0, pytest.approx(4995.117, abs=1e-3))
    channel, factor = Wire("x", "ecg", bits=10).channel()
    assert (factor, channel.unit, channel.low, channel.high) == (1.0, "count", 0.0, 1023.0)


@pytest.mark.parametrize("line", [counter, lambda _: "\x02\xff garbage\r\n", lambda _: "OK\r\n"])
def test_nothing_is_written_to_a_port_that_did_not_answer_as_ours(
    boards: Callable[..., Board], monkeypatch: pytest.MonkeyPatch, line: Callable[[int], str]
) -> None:
    """Some machines act on what they are sent: neither looking for a board nor reading one may speak first."""
    board = boards(line)
    port = str(board.link)
    monkeypatch.setattr("bridge.sources.serial.list_ports", lambda: [PortInfo(port, usb="0001:0002")])
    monkeypatch.setattr("bridge.sources.tuning.TRY_BAUD_S", 0.3)

    async def scenario() -> None:
        for wanted in (port, "auto"):
            source = SerialSource(ONE, port=wanted, baud=115200)
            with contextlib.suppress(SourceError):
                await source.open()
                await collect(source, 0.3)
            await source.close()

    asyncio.run(scenario())
    with pytest.raises(BlockingIOError):
        os.read(board.master, 64)


@pytest.mark.parametrize(("true_hz", "wrong"), [(250.0, False), (254.0, False), (240.0, True), (500.0, True)])
def test_a_rate_that_is_not_the_stated_one_is_told_once(
    caplog: pytest.LogCaptureFixture, true_hz: float, wrong: bool
) -> None:
    """Lines come in bursts with delays of up to 20 ms; the rate is known to three percent all the same."""
    random = np.random.default_rng(4)
    assembler = Assembler(wiring(ONE), 250.0, SourceCounts(), "the port")
    done, at_s = 0, 100.0
    while at_s < 120.0:
        at_s += float(random.uniform(0.01, 0.03))
        due = int((at_s - 100.0) * true_hz)
        if due > done:
            assembler.block([[0.0]] * (due - done), at_s + float(random.uniform(0, 0.0005)))
            done = due
    told = [record.getMessage() for record in caplog.records if "correct `rate:`" in record.getMessage()]
    assert len(told) == wrong
    if wrong:
        found = float(told[0].split("about ")[1].split(" Hz")[0])
        assert found == pytest.approx(true_hz, rel=0.01)
        assert "not 250 Hz" in told[0]


def lines_at_250_hz(
    assembler: Assembler, from_s: float, to_s: float, random: np.random.Generator
) -> list[tuple[int, float]]:
    """Rows every 4 to 12 ms; index of the last one and when it came, for each block."""
    told, at_s, done = [], from_s, from_s
    while at_s < to_s:
        at_s += float(random.uniform(0.004, 0.012))
        count = int((at_s - done) * 250)
        block = assembler.block([[0.0]] * count, at_s) if count else None
        done += count / 250
        if block is not None:
            told.append((block.end - 1, at_s))
    return told


@pytest.mark.parametrize("silent_s", [0.3, 2.0, 7.0])
def test_after_a_silence_of_a_line_without_numbers_times_are_right_at_once(silent_s: float) -> None:
    """What was sent meanwhile is lost: the first block after it has the time that is due."""
    random = np.random.default_rng(8)
    counts = SourceCounts()
    assembler = Assembler(wiring(ONE), 250.0, counts, "the port")
    lines_at_250_hz(assembler, 100.0, 110.0, random)
    after = lines_at_250_hz(assembler, 110.0 + silent_s, 115.0 + silent_s, random)
    assert after[0][1] - 110.0 - silent_s < 0.1
    for index, at_s in after:
        assert index / 250 == pytest.approx(at_s - 100.0, abs=0.03)
    assert counts.lost_samples == pytest.approx(silent_s * 250, abs=8)


def test_what_was_only_late_is_not_lost() -> None:
    """A radio stalls for 0.4 s, then all that was sent meanwhile comes within 40 ms."""
    random = np.random.default_rng(8)
    counts = SourceCounts()
    assembler = Assembler(wiring(ONE), 250.0, counts, "the port")
    lines_at_250_hz(assembler, 100.0, 110.0, random)
    for part in range(4):
        assembler.block([[0.0]] * 27, 110.4 + 0.01 * part)
    after = lines_at_250_hz(assembler, 110.432, 112.0, random)
    assert counts.lost_samples == 0
    assert after[-1][0] / 250 == pytest.approx(after[-1][1] - 100.0, abs=0.03)


def test_a_link_that_always_comes_in_bursts_is_not_kept_back() -> None:
    counts = SourceCounts()
    assembler = Assembler(wiring(ONE), 250.0, counts, "the port")
    for turn in range(100):
        block = assembler.block([[0.0]] * 50, 100.0 + 0.2 * turn)
        assert block is not None
    assert counts.lost_samples == 0
