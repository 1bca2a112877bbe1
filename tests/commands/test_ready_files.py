"""Every ready rule file: explained, valid, and doing what its first comment says with the synthetic person."""

from __future__ import annotations

import json
import re
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from bridge.commands.new import command as new
from bridge.commands.ready_files import ready_files
from bridge.commands.run import command as run
from bridge.rules.loader import load

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "detectors"))

from test_drowsiness import RATE_HZ, lids

READY = ready_files()
SECONDS = 62  # the person does everything once in 20 s


@pytest.mark.parametrize("name", READY)
def test_it_is_valid_and_explains_itself(name: str) -> None:
    text = READY[name].read_text(encoding="utf-8")
    assert load(text).warnings == ()
    comment = text[: text.index("version:")]
    for words in ("What happens", "Battery power only", "no implants", "not a medical device", "never"):
        assert words in comment.replace("\n# ", " ")
    if name != "demo":
        for words in ("Electrodes:", "What to do:"):
            assert words in comment
    # One screen wide, so that it can be read in any editor.
    assert max(map(len, text.splitlines())) <= 120


# The synthetic person never gets sleepy: that file has a test of its own.
@pytest.mark.parametrize("name", [name for name in READY if name not in ("demo", "drowsiness-notice")])
def test_every_rule_fires_with_the_synthetic_person(name: str, tmp_path: Path) -> None:
    """The file as it is, but for its source: the person has channels of the same names."""
    text = READY[name].read_text(encoding="utf-8")
    loaded = load(text).rules
    assert loaded.source is not None
    names = ", ".join(f"{{name: {item.name}, kind: {item.kind}}}" for item in loaded.source.channels)
    synthetic = f"source: {{type: synthetic, seed: 2, channels: [{names}]}}\n"
    replaced = re.sub(r"^source:.*?(?=^outputs:)", synthetic, text, flags=re.MULTILINE | re.DOTALL)
    file = tmp_path / "rules.yaml"
    file.write_text(replaced, encoding="utf-8")
    done = CliRunner().invoke(
        run, [str(file), "--fast", "--dry-run", "--for", str(SECONDS), "--json"], standalone_mode=False
    )
    assert done.exception is None, done.output
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    fired = Counter(line["rule"] for line in lines if "action" in line)
    print(name, dict(fired))
    assert set(fired) >= {rule.name for rule in loaded.rules}
    # No rule types a page: a person does each thing a few times a minute, a heart beats.
    for rule in loaded.rules:
        limit = 2 * SECONDS if "heartbeat" in str(rule.when) else 0.7 * SECONDS
        assert fired[rule.name] <= limit
    downs = Counter(line["rule"] for line in lines if "down" in line.get("action", {}))
    ups = Counter(line["rule"] for line in lines if "up" in line.get("action", {}))
    assert downs == ups, "what goes down comes up"


def test_the_drowsiness_notice_comes_and_goes(tmp_path: Path) -> None:
    """With the model of a person who gets sleepy and wakes up (tests/detectors/test_drowsiness.py)."""
    rested = [(float(t), 0.15) for t in np.arange(2.0, 90.0, 3.5)]
    sleepy = [(float(t), 0.32) for t in np.arange(92.0, 180.0, 5.0)]
    awake = [(float(t), 0.15) for t in np.arange(182.0, 290.0, 3.5)]
    nods = [(float(t), float(t) + 1.8) for t in np.arange(95.0, 175.0, 10.0)]
    x = lids(rested + sleepy + awake, 290.0, nods)
    recording = tmp_path / "desk.csv"
    times = np.arange(len(x)) / RATE_HZ
    np.savetxt(recording, np.column_stack((times, x[:, 0])), "%.4f", ",", header="time,vertical", comments="")
    options = [str(READY["drowsiness-notice"]), "--replay", str(recording), "--fast", "--dry-run", "--json"]
    done = CliRunner().invoke(run, options, standalone_mode=False)
    assert done.exception is None, done.output
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    told = [
        (line["rule"], next(iter(line["action"])))
        for line in lines
        if "action" in line and line["rule"] != "drowsiness-level"
    ]
    assert told == [("Sleepy", "note"), ("Sleepy", "publish"), ("Awake", "publish")]
    assert sum(line.get("rule") == "drowsiness-level" for line in lines) >= 20
    assert "not a safety device" in done.stderr


def test_there_are_enough_and_new_copies_them(tmp_path: Path) -> None:
    assert len(READY) >= 12
    listed = CliRunner().invoke(new, [])
    assert {line.split()[0] for line in listed.output.splitlines()} == set(READY)
    for name in READY:
        made = CliRunner().invoke(new, [name, "--to", str(tmp_path / f"{name}.yaml")])
        assert made.exit_code == 0
        assert (tmp_path / f"{name}.yaml").read_bytes() == READY[name].read_bytes()
