"""The wheel with compiled modules does what the source does, bit for bit, and falls back where it cannot be compiled."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest

from tests.wheel import ROOT, build, unpack_compiled

BUILD = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]
MODULES = BUILD["targets"]["wheel"]["hooks"]["custom"]["modules"]

# What the detectors find in three minutes of the synthetic person, sample by sample and in blocks.
DETECT = """
import json, sys
from dataclasses import asdict
from bridge.detectors import DETECTORS
from bridge.pipeline import DetectionChain, Wanted, bind, can_bind
from bridge.signals import sections
from bridge.signals.types import Block
from bridge.sources.person import SyntheticPerson

person = SyntheticPerson(3, 250.0)
samples = person.generate(180 * 250)
for size in (1, 8, 4096):
    chain = DetectionChain(person.info, bind(person.info, [Wanted(n) for n in DETECTORS if can_bind(person.info, n)]))
    blocks = (Block(samples[at : at + size], at) for at in range(0, len(samples), size))
    print(size, json.dumps([asdict(item) for block in blocks for item in chain.process(block)]))
print(sections.__file__, file=sys.stderr)
"""
RULES = """version: 1
outputs:
  book: {type: log}
  keys: {type: keystrokes}
  sound: {type: osc, host: 127.0.0.1, port: 9}
rules:
  - {name: Blinks, when: {event: blink, times: 2, within: 2 s}, then: {note: "twice at {time}"}}
  - {name: Beat, when: {event: heartbeat}, then: {note: "{kind} {rate}"}}
  - {name: Hold, when: {event: contraction, lasting: 300 ms}, then: {hold: Space}}
levels:
  - {level: contraction-level, every: 100 ms, then: {send: {output: sound, address: /x, arguments: ["{value}"]}}}
"""

# The daemon with a source that fails as it runs.
BREAKS = """
import sys
from bridge.commands import main
from bridge.sources.synthetic import SyntheticSource

async def run(self, sink):
    raise RuntimeError("a slip of the source")

SyntheticSource.run = run
sys.argv[1:] = ["run", "rules.yaml", "--for", "1", "--dry-run"]
main()
"""


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the compiled wheel installs."""
    return unpack_compiled(tmp_path_factory.mktemp("wheel"))


def said(root: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done


def bridge(root: Path, folder: Path, command: str) -> str:
    return said(root, folder, "-m", "bridge", *command.split()).stdout


@pytest.mark.timeout(400)
def test_all_that_are_listed_are_compiled(installed: Path) -> None:
    compiled = {
        ".".join(file.relative_to(installed).with_name(file.name.partition(".")[0]).parts)
        for file in (installed / "bridge").rglob("*")
        if file.suffix in (".so", ".pyd")
    }
    assert compiled == set(MODULES)


@pytest.mark.timeout(300)
def test_the_detectors_find_the_same(installed: Path, tmp_path: Path) -> None:
    ours, theirs = (said(root, tmp_path, "-c", DETECT) for root in (ROOT, installed))
    assert ours.stderr.strip().endswith("sections.py")
    assert not theirs.stderr.strip().endswith(".py")
    assert ours.stdout == theirs.stdout
    assert min(map(len, ours.stdout.splitlines())) > 10_000


def test_the_daemon_does_the_same(installed: Path, tmp_path: Path) -> None:
    (tmp_path / "rules.yaml").write_text(RULES)
    bridge(ROOT, tmp_path, "record person.edf --source synthetic --fast --for 60")
    run = "run rules.yaml --replay person.edf --fast --dry-run --json --no-monitor"
    ours, theirs = (bridge(root, tmp_path, run) for root in (ROOT, installed))
    assert ours == theirs
    assert ours.count("contraction-level") > 10


@pytest.mark.parametrize("root", ["source", "compiled"])
def test_a_daemon_that_breaks_does_not_end_as_if_all_were_well(
    root: str, installed: Path, tmp_path: Path
) -> None:
    """As it opens (the recording may not be overwritten), and while it runs (the source fails)."""
    folder = ROOT if root == "source" else installed
    (tmp_path / "rules.yaml").write_text(RULES + "source: {type: synthetic}\n")
    (tmp_path / "there.edf").write_text("mine")
    for arguments, word, code in (
        (
            ("-m", "bridge", "run", "rules.yaml", "--record", "there.edf", "--for", "1", "--dry-run"),
            "there.edf",
            2,
        ),
        (("-c", BREAKS), "a slip of the source", 1),
    ):
        done = subprocess.run(
            [sys.executable, *arguments], cwd=tmp_path, capture_output=True, text=True, timeout=60,
            env={**os.environ, "PYTHONPATH": str(folder)},
        )  # fmt: skip
        assert done.returncode == code, done.stderr
        assert word in done.stderr


@pytest.mark.timeout(200)
def test_without_a_compiler_the_wheel_is_plain(tmp_path: Path) -> None:
    assert build(tmp_path, CC="/no/such/compiler").name.endswith("py3-none-any.whl")


@pytest.mark.parametrize("module", MODULES)
def test_a_function_gives_its_errors_names_of_their_own(module: str) -> None:
    """mypyc gives a name one type for the whole function: a second kind of error by that name would be a TypeError."""
    for function in ast.walk(ast.parse((ROOT / f"{module.replace('.', '/')}.py").read_text())):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            kinds: dict[str, set[str]] = defaultdict(set)
            for node in ast.walk(function):
                if isinstance(node, ast.ExceptHandler) and node.name and node.type:
                    kinds[node.name].add(ast.unparse(node.type))
            assert all(len(each) == 1 for each in kinds.values()), (function.name, kinds)


@pytest.mark.parametrize("module", MODULES)
def test_nothing_is_awaited_where_an_error_is_on_its_way(module: str) -> None:
    """Compiled by mypyc, a `finally` or `except` that awaits forgets the error that led there: it is not raised again."""
    for node in ast.walk(ast.parse((ROOT / f"{module.replace('.', '/')}.py").read_text(encoding="utf-8"))):
        if isinstance(node, ast.Try):
            for part in [*node.finalbody, *(line for handler in node.handlers for line in handler.body)]:
                awaits = [
                    each
                    for each in ast.walk(part)
                    if isinstance(each, ast.Await | ast.AsyncWith | ast.AsyncFor)
                ]
                assert not awaits, f"{module}, line {awaits[0].lineno}"
