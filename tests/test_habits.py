"""What a project that others join keeps: versions that agree, pinned tools, checks that are CI's, forms that are valid."""

from __future__ import annotations

import re
import shlex
import subprocess
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

import bridge
from bridge.commands import group

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
TOP = {"DEVELOPERS.md", "LICENSE", "README.md", "bridge", "configs", "demos", "pyproject.toml", "tests"}


def test_the_top_level_keeps_its_eight_entries() -> None:
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if tracked.returncode:
        pytest.skip("not a clone")
    assert {line.partition("/")[0] for line in tracked.stdout.splitlines() if not line.startswith(".")} == TOP


def test_the_version_is_the_same_everywhere() -> None:
    citation = yaml.safe_load((ROOT / ".github/CITATION.cff").read_text(encoding="utf-8"))
    changes = (ROOT / "demos/guides/changes.md").read_text(encoding="utf-8")
    newest = re.search(r"^## (\S+?),", changes, re.MULTILINE)
    assert newest is not None
    assert {PROJECT["project"]["version"], bridge.__version__, str(citation["version"]), newest[1]} == {
        bridge.__version__
    }
    # The fields that the Citation File Format 1.2.0 requires (its schema, from memory).
    assert set(citation) >= {"cff-version", "message", "title", "authors"}
    assert citation["license"] == PROJECT["project"]["license"]


def test_what_judges_the_code_is_pinned_and_installed_so() -> None:
    wanted = PROJECT["project"]["optional-dependencies"]["test"]
    pins = dict(re.findall(r"^([\w-]+)==(\S+)$", "\n".join(wanted), re.MULTILINE))
    for tool in (
        "mypy",
        "ruff",
        "import-linter",
        "types-PyYAML",
        "types-pyserial",
        "scipy-stubs",
        "pre-commit",
    ):
        assert version(tool) == pins[tool]


def test_a_commit_is_checked_as_ci_checks_it() -> None:
    hooks = yaml.safe_load((ROOT / ".ci/pre-commit.yaml").read_text(encoding="utf-8"))["repos"][0]["hooks"]
    checked = {hook["name"]: shlex.split(hook["entry"]) for hook in hooks}
    script = (ROOT / "tests/run").read_text(encoding="utf-8")
    loop = re.search(r"for system in ([\w ]+); do\n(.*?)done", script, re.DOTALL)
    assert loop is not None
    lines = script.replace(loop[0], "".join(loop[2].replace("$system", system) for system in loop[1].split()))
    wanted = {
        name: shlex.split(line) for name, line in re.findall(r'^ *step "([\w ]+)" (.*)$', lines, re.MULTILINE)
    }
    assert checked == {name: words for name, words in wanted.items() if "pytest" not in words[0]}
    valid = subprocess.run(
        [ROOT / ".venv/bin/pre-commit", "validate-config", ROOT / ".ci/pre-commit.yaml"],
        capture_output=True,
        text=True,
    )
    assert valid.returncode == 0, valid.stdout


def test_what_is_asked_of_a_report_is_there() -> None:
    form = yaml.safe_load((ROOT / ".github/ISSUE_TEMPLATE/report.yml").read_text(encoding="utf-8"))
    assert {"name", "description", "body"} <= set(form)
    text = (ROOT / ".github/ISSUE_TEMPLATE/report.yml").read_text() + (ROOT / "DEVELOPERS.md").read_text()
    for line in set(re.findall(r"`(biosignal-bridge [^`]+)`", text)):
        words = shlex.split(line)[1:]
        if words[0].startswith("-"):
            assert CliRunner().invoke(group, words).exit_code == 0
            continue
        told = CliRunner().invoke(group, [words[0], "--help"]).output
        assert all(word in told for word in words if word.startswith("--")), line


@pytest.mark.parametrize("page", ["CONTRIBUTING.md"])
def test_links_from_the_forms_lead_somewhere(page: str) -> None:
    found = re.findall(r"\]\(([^)#\s]+)", (ROOT / ".github" / page).read_text(encoding="utf-8"))
    assert found
    assert all((ROOT / ".github" / link).exists() for link in found)
