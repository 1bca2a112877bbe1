"""`record` and `ports`, as a user calls them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from bridge.commands.calibrate import command as calibrate
from bridge.commands.check import command as check
from bridge.commands.ports import command as ports
from bridge.commands.record import command as record
from bridge.commands.run import command as run
from bridge.recordings import read, read_annotations
from bridge.sources.person import SyntheticPerson


def test_a_synthetic_recording_is_exact_and_knows_the_truth(tmp_path: Path) -> None:
    out = tmp_path / "try.edf"
    result = CliRunner().invoke(
        record, [str(out), "--source", "synthetic", "--for", "12", "--fast", "--json"]
    )
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["samples"] == 3000
    recording = read(out)
    person = SyntheticPerson(0)
    assert np.array_equal(next(recording.blocks(3000)).samples, person.generate(3000))
    assert [c.kind for c in recording.info.channels] == ["eeg", "eog-horizontal", "emg", "ecg"]
    expected = [(t.kind, round(t.onset, 4)) for t in person.truth_until(12.0)]
    found = [(a.label, round(a.onset, 4)) for a in read_annotations(out) if a.label != "end of signal"]
    assert sorted(found) == sorted(expected)


@pytest.mark.parametrize("name", ["eog/gaze-83hz.csv", "eog/blinks-200hz.csv"])
def test_a_real_recording_survives_the_round_trip(data_dir: Path, tmp_path: Path, name: str) -> None:
    out = tmp_path / "copy.bdf"
    result = CliRunner().invoke(record, [str(out), "--source", str(data_dir / name), "--fast"])
    assert result.exit_code == 0, result.output
    first, second = read(data_dir / name), read(out)
    assert second.info.rate == first.info.rate
    assert [(c.name, c.kind) for c in second.info.channels] == [(c.name, c.kind) for c in first.info.channels]
    for ours, theirs in zip(second.blocks(5000), first.blocks(5000), strict=True):
        assert np.array_equal(ours.samples, theirs.samples)


def test_wrong_use_is_told(tmp_path: Path) -> None:
    (tmp_path / "there.edf").touch()
    for arguments, message in (
        ([str(tmp_path / "a.txt"), "--source", "synthetic"], "must end in .edf or .bdf"),
        ([str(tmp_path / "there.edf"), "--source", "synthetic"], "--overwrite"),
        ([str(tmp_path / "a.edf"), "--source", "none.csv"], "no such file"),
        ([str(tmp_path / "a.edf"), "--source", "/dev/none"], "--channel"),
        ([str(tmp_path / "a.edf"), "--source", "/dev/none", "--channel", "x"], "--kind"),
    ):
        result = CliRunner().invoke(record, arguments)
        assert result.exit_code == 2
        assert message in result.output


def test_a_port_that_is_not_there_is_a_failure_in_every_command(tmp_path: Path) -> None:
    """And no wrong use; a recording that is not there is one in every command."""
    rules = tmp_path / "rules.yaml"
    rules.write_text("version: 1\nsource: {type: serial, port: /dev/none, channels: [{name: ecg}]}\n")
    missing = ["--source", "/dev/none", "--channel", "ecg"]
    for command, arguments in (
        (record, [str(tmp_path / "a.edf"), *missing]),
        (check, missing),
        (calibrate, ["--detector", "blink", *missing, "--record", str(tmp_path / "b.edf")]),
        (run, [str(rules)]),
        (run, missing),
    ):
        result = CliRunner().invoke(command, arguments)
        assert (result.exit_code, "there is no port /dev/none" in result.output) == (1, True), arguments
    for command, arguments in (
        (record, [str(tmp_path / "c.edf"), "--source", "none.csv"]),
        (check, ["--source", "none.csv"]),
        (run, [str(rules), "--source", "none.csv", "--fast"]),
    ):
        result = CliRunner().invoke(command, arguments)
        assert (result.exit_code, "no such file" in result.output) == (2, True), arguments


def test_an_interrupt_ends_the_recording_whole(tmp_path: Path) -> None:
    out = tmp_path / "try.edf"
    with subprocess.Popen(
        [sys.executable, "-m", "bridge", "record", str(out), "--source", "synthetic"], stderr=subprocess.PIPE
    ) as process:
        for _ in range(1000):
            if out.exists() and out.stat().st_size > 4000:
                break
            time.sleep(0.02)
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 130
    assert read(out).seconds > 1


def test_ports_listens_to_a_port(tmp_path: Path) -> None:
    if os.name != "posix":
        pytest.skip("pseudo-terminals are POSIX")
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    stop = threading.Event()

    def send() -> None:
        start, done = time.monotonic(), 0
        while not stop.wait(0.01):
            due = int((time.monotonic() - start) * 200)
            os.write(master, b"1,2,3\n" * (due - done))
            done = due

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    result = CliRunner().invoke(ports, [name, "--json"])
    (found,) = json.loads(result.stdout)["ports"]
    stop.set()
    sender.join()
    os.close(master)
    os.close(slave)
    assert (found["port"], found["likely"], found["channels"]) == (name, "pseudo-terminal", 3)
    assert found["rate"] == pytest.approx(200, rel=0.05)
    assert found["problem"] is None


def test_ports_names_what_is_wrong() -> None:
    result = CliRunner().invoke(ports, ["/dev/nothing-here", "--json"])
    assert result.exit_code == 0
    (found,) = json.loads(result.stdout)["ports"]
    assert "there is no port" in found["problem"]
    result = CliRunner().invoke(ports, ["--no-listen"])
    assert result.exit_code == 0


def test_a_rule_file_names_the_source(tmp_path: Path) -> None:
    rules = tmp_path / "rules.yaml"
    rules.write_text("version: 1\nsource: {type: synthetic, seed: 4}\n")
    for command, options in ((record, [str(tmp_path / "a.edf")]), (check, [])):
        result = CliRunner().invoke(
            command, [*options, "--source", str(rules), "--fast", "--for", "3", "--json"]
        )
        assert result.exit_code in (0, 1), result.output
        assert json.loads(result.stdout)["seconds"] >= 3
    assert read(tmp_path / "a.edf").seconds == pytest.approx(3, abs=0.01)


def test_a_rule_file_without_one_source_is_told(tmp_path: Path) -> None:
    rules = tmp_path / "rules.yaml"
    rules.write_text(
        "version: 1\nsources:\n  one: {type: synthetic, seed: 4}\n  two: {type: synthetic, seed: 5}\n"
    )
    result = CliRunner().invoke(record, [str(tmp_path / "a.edf"), "--source", str(rules)])
    assert result.exit_code == 2
    assert "2 sources" in result.output
    rules.write_text("version: 1\nsource: {type: synthetik}\n")
    result = CliRunner().invoke(record, [str(tmp_path / "a.edf"), "--source", str(rules)])
    assert result.exit_code == 2
    assert "rules.yaml:2:" in result.output
