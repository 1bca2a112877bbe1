"""Several recordings at once in the installed program: on processes of this machine, and on a Dask cluster.

Here is found what only an installed program can show: whether a compiled class can be sent to another process.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from tests.components import free_port, until
from tests.installed.installation import Done, Installation

DAYS = "monday.edf tuesday.edf wednesday.edf"
COMMANDS = {
    "detect": f"biosignal-bridge detect {DAYS} blinks.csv --detector blink --json",
    "evaluate": "biosignal-bridge evaluate recording.csv blinks.csv --detector blink --json"
    " --reference marked.csv --reference blinks.reference.csv",
    "calibrate": "biosignal-bridge calibrate --detector blink --profile profiles --json --few --force"
    " --replay recording.csv --reference marked.csv --replay blinks.csv --reference blinks.reference.csv",
}


def told(done: Done) -> list[dict[str, Any]]:
    """What it printed, without what differs from run to run: the time that it took, and the date."""
    assert done.code == 0, done.all
    lines = [json.loads(line) for line in done.out.splitlines()]
    assert lines
    for line in lines:
        for part in (line, *line.get("recordings", ()), *line.get("detectors", {}).values()):
            part.pop("cpu_seconds", None)
            part.get("made_on", part).pop("date", None)
    return lines


@contextmanager
def started(installation: Installation, line: str, says: str) -> Iterator[None]:
    """Something that runs until it is ended. Fails the test where it does not say what it should."""
    log = installation.desk / "cluster.log"
    log.write_text("")
    process = subprocess.Popen(
        ["/bin/sh", "-c", line], cwd=installation.desk, env=installation.variables,
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=log.open("ab"), start_new_session=True,
    )  # fmt: skip
    try:
        until(lambda: says in log.read_text() or process.poll() is not None, says, 60)
        assert process.poll() is None, log.read_text()
        yield
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(10)


class ManyRecordings:
    """Tests of one installation."""

    @pytest.mark.parametrize("name", COMMANDS)
    def test_several_processes_print_what_one_does(self, installation: Installation, name: str) -> None:
        alone = told(installation.run(f"{COMMANDS[name]} --workers 1"))
        assert told(installation.run(f"{COMMANDS[name]} --workers 2")) == alone

    def test_a_dask_cluster_prints_it_too(self, installation: Installation) -> None:
        """By the words of the program alone: what to install, and how to start a scheduler and its workers."""
        refused = installation.run(f"{COMMANDS['detect']} --scheduler tcp://127.0.0.1:1")
        assert refused.code == 2
        hint = re.search(r"(pip install 'biosignal-bridge\[cluster\]')\n$", refused.err)
        assert hint, refused.err
        done = installation.run(hint[1], within_s=300)
        assert done.code == 0, done.all
        assert "Extras: cluster;" in installation.run("biosignal-bridge --version").out

        port = free_port()
        address = f"tcp://127.0.0.1:{port}"
        nobody = installation.run(f"{COMMANDS['detect']} --scheduler {address}")
        assert (nobody.code, "start one with `dask scheduler`" in nobody.err) == (1, True)
        with (
            started(
                installation, f"dask scheduler --host 127.0.0.1 --port {port} --no-dashboard", "Scheduler at"
            ),
            started(
                installation,
                f"dask worker {address} --nthreads 1 --nworkers 2 --no-dashboard",
                "Registered to",
            ),
        ):
            for command in COMMANDS.values():
                alone = told(installation.run(f"{command} --workers 1"))
                assert told(installation.run(f"{command} --scheduler {address}")) == alone
