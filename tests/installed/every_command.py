"""Every command of the README, from top to bottom, and the worked example of every help, in the installed program."""

from __future__ import annotations

import os
import re
import signal

import pytest

from tests.components import until
from tests.installed.documented import (
    BESIDE_A_DAEMON,
    ENDINGS,
    OF_THE_CHECKOUT,
    Ending,
    example,
    help_lines,
    readme_lines,
)
from tests.installed.installation import Installation

LINES = [line for line in readme_lines() if line not in OF_THE_CHECKOUT]
HELP = help_lines()


def holds(installation: Installation, line: str) -> None:
    """It ends as it should and says what it should."""
    ending = ENDINGS.get(line, Ending("."))
    for _ in range(5):
        done = installation.run(line, ended_at=ending.says if ending.for_ever else "")
        if "does not answer" not in done.err:  # a daemon may be slow where processors are busy
            break
    written = re.search(r"> (\S+)$", line)
    said = done.all + ((installation.desk / written[1].replace("~", "home")).read_text() if written else "")
    assert (done.code, bool(re.search(ending.says, said, re.DOTALL))) == (ending.code, True), (line, done)
    assert "Traceback" not in said


def beside_a_daemon(installation: Installation, line: str) -> None:
    """It talks to a running daemon, which Ctrl-C then ends."""
    daemon = installation.started("exec biosignal-bridge run running/slides.yaml --dry-run --no-monitor")
    try:
        until(lambda: installation.run("biosignal-bridge status").code == 0, "the daemon", 100)
        holds(installation, line)
    finally:
        if "stop" not in line:
            os.killpg(daemon.pid, signal.SIGINT)
        _, told = daemon.communicate(timeout=20)
    assert (daemon.returncode, "Traceback" in told) == (0 if "stop" in line else 130, False), told


class EveryCommand:
    """Tests of one installation."""

    def test_it_is_what_it_is_said_to_be(self, installation: Installation) -> None:
        told = installation.run("biosignal-bridge --version").out
        assert f"({'compiled' if installation.kind == 'compiled' else 'plain Python'})" in told
        assert "Extras: none; not installed: plots, wfdb, cluster, lsl, keyring" in told
        where = installation.run("python -c 'import bridge; print(bridge.__file__)'").out
        assert where.startswith(str(installation.environment))

    @pytest.mark.parametrize("line", LINES)
    def test_a_command_of_the_readme(self, installation: Installation, line: str) -> None:
        if line.split()[1] in BESIDE_A_DAEMON:
            beside_a_daemon(installation, line)
        else:
            assert line.startswith("biosignal-bridge ")
            holds(installation, line)

    @pytest.mark.parametrize("words", HELP, ids=lambda words: words or "biosignal-bridge")
    def test_the_example_of_a_help(self, installation: Installation, words: str) -> None:
        told = " ".join(installation.run(f"biosignal-bridge {words} --help").out.split())
        assert HELP[words]
        assert HELP[words] in told
        line = example(words)
        if words in BESIDE_A_DAEMON:
            beside_a_daemon(installation, line)
        elif line not in LINES:  # else it was run
            holds(installation, line)
