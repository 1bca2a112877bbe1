"""What helps with words: other names for things, completion by a shell, the manual page."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from bridge.calibration.vocabulary import closest
from bridge.commands import COMMANDS, group
from bridge.commands.man import page
from bridge.detectors import DETECTORS, EVENT_TYPES, LEVEL_TYPES
from bridge.rules.loader import RuleFileErrors, load
from bridge.suggesting import SYNONYMS, nearest

RULES = """version: 1
source: {{type: synthetic, seed: 1}}
outputs:
  keys: {{type: keystrokes}}
rules:
  - {{name: A, when: {{event: {word}}}, then: {{press: a}}}}
"""


def test_every_synonym_leads_to_something_there_is() -> None:
    there = {*EVENT_TYPES, *LEVEL_TYPES, *DETECTORS, *COMMANDS, "press", "type", "mouse", "send", "publish"}
    assert set(SYNONYMS.values()) <= there
    assert not set(SYNONYMS) & {*EVENT_TYPES, *LEVEL_TYPES, *DETECTORS, *COMMANDS}


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("squeeze", "contraction"),
        ("Fist", "contraction"),
        ("winks", "blink"),
        ("pulse", "heartbeat"),
        ("glance left", "gaze-left"),
    ],
)
def test_a_rule_file_with_another_word(word: str, meant: str) -> None:
    with pytest.raises(RuleFileErrors) as found:
        load(RULES.format(word=word))
    assert f"did you mean `{meant}`?" in str(found.value)
    assert closest(word) == meant


def test_a_known_word_is_only_offered_where_it_is_known() -> None:
    assert nearest("squeeze", ["blink", "gaze"]) == ""
    assert nearest("contractoin", EVENT_TYPES) == "contraction"
    assert nearest("", [" ", "a"]) == " "  # a blank is a blank, however it is written


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("start", "there is no command `start`; did you mean `run`?"),
        ("flash board", "there is no command `flash`; did you mean `firmware`?"),
        ("evalute", "there is no command `evalute`; did you mean `evaluate`?"),
        ("xyzzy", "there is no command `xyzzy`; known: demo, run,"),
        ("--frobnicate", "No such option"),
    ],
)
def test_a_command_by_another_name(line: str, told: str) -> None:
    done = CliRunner().invoke(group, line.split())
    assert done.exit_code == 2
    assert told in done.output


def test_a_detector_by_another_name(tmp_path: Path) -> None:
    (tmp_path / "beats.csv").write_text(
        "time,ecg\n" + "".join(f"{at / 250},{at % 7}\n" for at in range(2500))
    )
    done = CliRunner().invoke(group, ["detect", str(tmp_path / "beats.csv"), "--detector", "pulse"])
    assert done.exit_code == 2
    assert "there is no detector 'pulse'; did you mean 'heartbeat'?" in done.output
    done = CliRunner().invoke(group, ["calibrate", "--detector", "squeeze", "--profile", "me.yaml"])
    assert done.exit_code == 2
    assert "there is no calibration for 'squeeze'; did you mean 'contraction'?" in done.output


def completed(words: str, position: int) -> set[str]:
    """What bash is offered, by the script that the program gives it."""
    bin_folder = Path(sys.executable).parent
    script = f"""
        eval "$(_BIOSIGNAL_BRIDGE_COMPLETE=bash_source biosignal-bridge)"
        COMP_WORDS=({words}) COMP_CWORD={position}
        _biosignal_bridge_completion biosignal-bridge
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    done = subprocess.run(
        ["bash", "-c", script], capture_output=True, text=True, timeout=60,
        env={**os.environ, "PATH": f"{bin_folder}:{os.environ['PATH']}"},
    )  # fmt: skip
    assert "command not found" not in done.stderr
    return set(done.stdout.split())


def test_bash_completes() -> None:
    assert completed("biosignal-bridge re", 1) == {"resume", "record"}
    assert completed("biosignal-bridge detect x.csv --detector h", 4) == {"heartbeat"}
    assert completed("biosignal-bridge detect x.csv --kind e", 4) == {
        "eeg",
        "eog-horizontal",
        "eog-vertical",
        "emg",
        "emg-envelope",
        "ecg",
    }
    assert {"--board", "--overwrite"} <= completed("biosignal-bridge firmware my-board --", 3)


def test_the_manual_page_has_every_command_and_option() -> None:
    text = page(group, "biosignal-bridge")
    if shutil.which("groff") is None:
        pytest.fail("needs groff (Debian package groff-base)")
    done = subprocess.run(
        ["groff", "-k", "-man", "-Tutf8", "-ww", "-P-c", "-P-b", "-P-u", "-rLL=2000n", "-rHY=0"],
        input=text, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stderr == ""
    shown = re.sub(r"\s+", " ", done.stdout)
    context = click.Context(group)

    def walk(commands: click.Group, prefix: str) -> None:
        for name in commands.list_commands(context):
            command = commands.get_command(context, name)
            assert command is not None
            if isinstance(command, click.Group):
                walk(command, f"{prefix} {name}")
                continue
            assert f"{prefix} {name} [OPTIONS]" in shown
            for parameter in command.params:
                for option in (
                    parameter.opts if isinstance(parameter, click.Option) and not parameter.hidden else ()
                ):
                    assert option in shown, option
            assert re.search(rf"Example: [^:]*{prefix} {name}", shown), name

    walk(group, "biosignal-bridge")
    assert "DESCRIPTION" in shown
    assert "EXIT STATUS" in shown
    # What roff would take for a request is text.
    assert page(click.Group("x", help=".SH not a heading\\n"), "x").count(".SH not") == 1
    assert "\\&.SH not a heading\\en" in page(click.Group("x", help=".SH not a heading\\n"), "x")
