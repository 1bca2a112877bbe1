"""A rule file that changes while the daemon runs, as a user with an editor does it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.components import end, until

RULES = """version: 1
source: {type: synthetic, seed: 3}
outputs:
  note: {type: log}
rules:
  - name: FIRST
    when: {event: heartbeat}
    then: {note: FIRST}
"""


class Running:
    def __init__(self, process: subprocess.Popen[bytes], out: Path, log: Path) -> None:
        self.process = process
        self._out, self._log = out, log

    @property
    def log(self) -> str:
        return self._log.read_text()

    def lines(self) -> list[dict[str, Any]]:
        whole = self._out.read_text().rpartition("\n")[0]
        return [json.loads(line) for line in whole.splitlines()]

    def actions_of(self, rule: str) -> list[dict[str, Any]]:
        return [line for line in self.lines() if line.get("rule") == rule]


@contextmanager
def daemon(file: Path, folder: Path, *options: str) -> Iterator[Running]:
    out, log = folder / "out.jsonl", folder / "log.txt"
    with out.open("wb") as stdout, log.open("wb") as stderr:
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge", "run", str(file), "--json", "--no-monitor", *options],
            stdout=stdout,
            stderr=stderr,
            env={**os.environ, "XDG_RUNTIME_DIR": str(folder)},
        )
    try:
        yield Running(process, out, log)
    finally:
        end(process, signal.SIGKILL)


def replaced(file: Path, text: str) -> None:
    """As most editors do it: a new file takes the old one's name."""
    fresh = file.with_suffix(".new")
    fresh.write_text(text)
    fresh.replace(file)


@pytest.mark.parametrize("save", [replaced, Path.write_text], ids=["replaced", "in place"])
def test_a_valid_version_takes_over_and_an_invalid_one_is_refused(
    tmp_path: Path, save: Callable[[Path, str], object]
) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RULES)
    with daemon(file, tmp_path) as running:
        until(lambda: running.actions_of("FIRST"), "the first rules to act")
        save(file, RULES.replace("FIRST", "SECOND"))
        until(lambda: running.actions_of("SECOND"), "the second rules to act")
        assert "is in force" in running.log
        before = len(running.actions_of("FIRST"))
        save(file, RULES.replace("FIRST", "THIRD").replace("heartbeat", "heartbeet"))
        until(lambda: f"{file}:7:" in running.log, "the refusal with its place")
        assert "did you mean `heartbeat`" in running.log
        had = len(running.actions_of("SECOND"))
        until(lambda: len(running.actions_of("SECOND")) > had, "the second rules to go on")
        assert len(running.actions_of("FIRST")) == before
        assert running.actions_of("THIRD") == []
        running.process.send_signal(signal.SIGTERM)
        assert running.process.wait(10) == 0


def test_new_rules_bring_the_detectors_they_need(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RULES)
    with daemon(file, tmp_path) as running:
        until(lambda: running.actions_of("FIRST"), "the first rules to act")
        assert {line["kind"] for line in running.lines() if "kind" in line} == {"heartbeat"}
        replaced(file, RULES.replace("heartbeat", "contraction"))
        until(lambda: any(line.get("kind") == "contraction" for line in running.lines()), "a contraction", 20)


def test_held_keys_are_let_go_when_rules_change(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    held = RULES.replace("note: {type: log}", "keys: {type: keystrokes}").replace(
        "{note: FIRST}", "{hold: Space}"
    )
    file.write_text(held.replace("heartbeat", "contraction"))
    with daemon(file, tmp_path, "--dry-run") as running:
        until(lambda: running.actions_of("FIRST"), "a key to go down", 20)
        replaced(file, held.replace("heartbeat", "contraction").replace("Space", "a"))
        until(
            lambda: {"up": "Space"} in [line["action"] for line in running.actions_of("FIRST")], "its release"
        )


def test_other_outputs_need_a_new_start(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RULES)
    with daemon(file, tmp_path) as running:
        until(lambda: running.actions_of("FIRST"), "the first rules to act")
        replaced(
            file,
            RULES.replace("outputs:\n", "outputs:\n  more: {type: log}\n").replace(
                "{note: FIRST}", "{note: x, output: note}"
            ),
        )
        until(lambda: "`outputs` has changed" in running.log, "the refusal")
        assert running.process.poll() is None


def test_a_file_that_goes_away_for_a_moment_is_no_matter(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RULES)
    with daemon(file, tmp_path) as running:
        until(lambda: running.actions_of("FIRST"), "the first rules to act")
        file.unlink()
        had = len(running.actions_of("FIRST"))
        until(lambda: len(running.actions_of("FIRST")) > had, "the rules to go on")
        file.write_text(RULES.replace("FIRST", "AGAIN"))
        until(lambda: running.actions_of("AGAIN"), "the new rules to act")


@pytest.mark.parametrize("what", ["pipe", "device", "folder"])
def test_what_is_no_regular_file_is_refused_and_holds_up_nothing(what: str, tmp_path: Path) -> None:
    """Opening a pipe that nobody writes to would wait for ever, and so would the end of the daemon."""
    file = tmp_path / "rules.yaml"
    file.write_text(RULES)
    with daemon(file, tmp_path) as running:
        until(lambda: running.actions_of("FIRST"), "the first rules to act")
        file.unlink()
        if what == "pipe":
            os.mkfifo(file)
        elif what == "device":
            file.symlink_to("/dev/zero")
        else:
            file.mkdir()
        until(lambda: "is refused" in running.log, "the refusal")
        assert "regular file" in running.log or "directory" in running.log
        had = len(running.actions_of("FIRST"))
        until(lambda: len(running.actions_of("FIRST")) > had, "the first rules to go on")
        running.process.send_signal(signal.SIGTERM)
        assert running.process.wait(10) == 0


@pytest.mark.parametrize(
    "command", [("rules", "check"), ("run",), ("rules", "explain"), ("check", "--source")]
)
def test_a_pipe_in_the_place_of_a_rule_file_is_refused_at_once(
    command: tuple[str, ...], tmp_path: Path
) -> None:
    file = tmp_path / "rules.yaml"
    os.mkfifo(file)
    done = subprocess.run(
        [sys.executable, "-m", "bridge", *command, file], capture_output=True, text=True, timeout=30
    )
    assert done.returncode == 2, done.stderr
    assert "not a regular file" in done.stderr
