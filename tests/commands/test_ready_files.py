"""Every ready rule file: explained, valid, and doing what its first comment says with the synthetic person."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.commands.new import command as new
from bridge.commands.ready_files import ready_files
from bridge.commands.run import command as run
from bridge.rules.loader import load

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


@pytest.mark.parametrize("name", [name for name in READY if name != "demo"])
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


def test_there_are_enough_and_new_copies_them(tmp_path: Path) -> None:
    assert len(READY) >= 12
    listed = CliRunner().invoke(new, [])
    assert {line.split()[0] for line in listed.output.splitlines()} == set(READY)
    for name in READY:
        made = CliRunner().invoke(new, [name, "--to", str(tmp_path / f"{name}.yaml")])
        assert made.exit_code == 0
        assert (tmp_path / f"{name}.yaml").read_bytes() == READY[name].read_bytes()
