"""The other commands with what Windows lacks taken away, and what they print on consoles of its kinds."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.components import until
from tests.windows.rig import Running, bridge


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A minute of the synthetic person, recorded by the command."""
    from tests.windows.rig import environment

    folder = tmp_path_factory.mktemp("recorded")
    out = folder / "person.edf"
    done = bridge("record", out, "--source", "synthetic", "--for", "60", "--fast", env=environment(folder))
    assert done.returncode == 0, done.stderr
    return out


def test_a_recording_is_what_other_systems_make_of_it(
    recording: Path, env: dict[str, str], tmp_path: Path
) -> None:
    """The same samples and events as without the emulation."""
    plain = {name: value for name, value in env.items() if name != "PYTHONPATH"}
    other = tmp_path / "person.edf"
    done = bridge("record", other, "--source", "synthetic", "--for", "60", "--fast", env=plain)
    assert done.returncode == 0, done.stderr
    # The header tells when it was recorded.
    assert recording.read_bytes()[256:] == other.read_bytes()[256:]
    found = [bridge("detect", recording, "--detector", "blink", "--json", env=each) for each in (env, plain)]
    assert [done.returncode for done in found] == [0, 0], found[0].stderr
    assert found[0].stdout == found[1].stdout
    assert found[0].stdout.count('"kind": "blink"') > 5


def test_a_recording_that_needs_more_room_is_rewritten(env: dict[str, str], tmp_path: Path) -> None:
    rows = [f"{i % 50}.25" if i > 1000 else f"{i % 50}" for i in range(2500)]
    (tmp_path / "wide.csv").write_text("\n".join(["Fp1", *rows]) + "\n", encoding="utf-8")
    (tmp_path / "rules.yaml").write_text("version: 1\nrules: []\n", encoding="utf-8")
    done = bridge(
        "run",
        "rules.yaml",
        "--replay",
        "wide.csv",
        "--rate",
        "250",
        "--fast",
        "--record",
        "wide.edf",
        env=env,
    )
    assert done.returncode == 0, done.stderr
    assert "10.0 s of signal" in done.stderr
    import pyedflib

    with pyedflib.EdfReader(str(tmp_path / "wide.edf")) as file:
        read = file.readSignal(0)[: len(rows)]
    assert max(abs(value - float(row)) for value, row in zip(read, rows, strict=True)) < 1e-3


def test_a_replay_runs(recording: Path, env: dict[str, str], tmp_path: Path) -> None:
    rules = tmp_path / "rules.yaml"
    rules.write_text(
        "version: 1\noutputs: {book: {type: log}}\nrules: [{name: A, when: {event: blink}, then: {note: x}}]\n",
        encoding="utf-8",
    )
    done = bridge("run", rules, "--replay", recording, "--fast", "--dry-run", "--json", env=env)
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert sum(line.get("kind") == "blink" for line in lines) > 5
    assert sum("action" in line for line in lines) > 5
    assert "60.0 s of signal" in done.stderr


def test_check_calibrate_and_evaluate(recording: Path, env: dict[str, str], tmp_path: Path) -> None:
    done = bridge("check", "--source", "synthetic", "--for", "3", "--fast", "--json", env=env)
    assert done.returncode == 0, done.stderr
    second = tmp_path / "second.edf"
    second.write_bytes(recording.read_bytes())
    done = bridge("evaluate", recording, second, "--detector", "blink", "--json", "--workers", "2", env=env)
    assert done.returncode == 0, done.stderr
    done = bridge(
        "calibrate", "--replay", recording, "--detector", "heartbeat", "--profile", "me.yaml", "--few", "--force",
        env=env,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "me.yaml").exists()


def test_the_demo_prints_lines(start: Callable[..., Running]) -> None:
    demo = start("demo", "--for", "6", "--json")
    assert demo.end(60) == 0
    assert any(event.get("kind") == "heartbeat" for event in demo.events())
    assert "6." in demo.log[-1]
    assert not any("Traceback" in line for line in demo.log)


def test_the_moving_demo_takes_a_key(env: dict[str, str]) -> None:
    """In a terminal, with a stand-in for Windows' own keyboard calls."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "demo", "--no-monitor"],
        stdin=slave, stdout=slave, stderr=slave, env={**env, "TERM": "xterm"}, cwd=env["HOME"],
    )  # fmt: skip
    os.close(slave)
    shown = b""
    try:
        os.set_blocking(master, False)

        def read() -> bytes:
            nonlocal shown
            with contextlib.suppress(OSError):
                shown += os.read(master, 65536)
            return shown

        until(lambda: b"forehead" in read(), "the traces", 30)
        time.sleep(0.5)
        os.write(master, b"q")
        until(lambda: (read(), process.poll() is not None)[1], "its end", 20)
        assert process.returncode == 0, read().decode(errors="replace")
        assert b" s of signal in " in read()
        assert b"Traceback" not in shown
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(5)
        os.close(master)


SIGNS = """version: 1
source: {type: synthetic, seed: 3}
outputs: {book: {type: log}}
rules: [{name: "µ → Ω", when: {event: heartbeat}, then: {note: "µ → Ω"}}]
"""


@pytest.mark.parametrize("as_json", [False, True])
def test_what_is_piped_is_utf_8(env: dict[str, str], tmp_path: Path, as_json: bool) -> None:
    """A pipe of Windows has the encoding of the region; here a locale that knows only ASCII stands for it."""
    (tmp_path / "rules.yaml").write_text(SIGNS, encoding="utf-8")
    poor = {**env, "LC_ALL": "POSIX", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = bridge(
        "run", "rules.yaml", "--for", "8", "--dry-run", "--no-monitor", *(["--json"] * as_json), env=poor
    )
    assert done.returncode == 0, done.stderr
    assert "µ → Ω" in done.stdout
    assert "Traceback" not in done.stderr


def test_a_console_that_lacks_a_character_shows_another(env: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "rules.yaml").write_text(SIGNS, encoding="utf-8")
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "run", "rules.yaml", "--for", "8", "--dry-run", "--no-monitor"],
        stdin=slave, stdout=slave, stderr=slave, env={**env, "PYTHONIOENCODING": "cp1252"}, cwd=env["HOME"],
    )  # fmt: skip
    os.close(slave)
    shown = b""
    try:
        while True:
            try:
                data = os.read(master, 65536)
            except OSError:
                break
            if not data:
                break
            shown += data
        assert process.wait(20) == 0, shown.decode("cp1252")
        assert b"Traceback" not in shown
        assert "µ ? ?".encode("cp1252") in shown
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(5)
        os.close(master)
