"""The one command to start with, on a copy of the project without an environment, by a shell and without one."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import sysconfig
from pathlib import Path
from types import ModuleType

import pytest

from tests.windows.rig import ROOT, WITHOUT_POSIX

_BY_SHELL = ["./demos/start"]
_BY_PYTHON = [sys.executable, "demos/start.py"]


@pytest.fixture(scope="module")
def clone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a clean clone holds, in a folder whose name has a blank, with an environment that is made once."""
    folder = tmp_path_factory.mktemp("of a user") / "bridge"
    folder.mkdir()
    files = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], cwd=ROOT, capture_output=True, check=True
    ).stdout.split(b"\0")  # fmt: skip
    listed = b"\0".join(name for name in files if name and (ROOT / os.fsdecode(name)).exists())
    packed = subprocess.run(
        ["tar", "c", "--null", "-T", "-"], cwd=ROOT, input=listed, capture_output=True, check=True
    )
    subprocess.run(["tar", "x"], cwd=folder, input=packed.stdout, check=True)
    return folder


def _start(command: list[str], folder: Path, *paths: Path) -> subprocess.CompletedProcess[str]:
    """What the project depends on is taken from the environment of the tests, so that nothing is fetched."""
    environment = {
        **{name: value for name, value in os.environ.items() if name != "VIRTUAL_ENV"},
        "NO_COLOR": "1",
        "XDG_RUNTIME_DIR": str(folder.parent),
        "PIP_NO_DEPS": "1",
        "PIP_NO_BUILD_ISOLATION": "0",  # pip reads this as "without isolation"
        "PYTHONPATH": os.pathsep.join(map(str, (*paths, sysconfig.get_path("purelib")))),
    }
    return subprocess.run(
        [*command, "--for", "8", "--json", "--no-monitor"],
        cwd=folder, env=environment, capture_output=True, encoding="utf-8", timeout=250,
    )  # fmt: skip


@pytest.mark.timeout(300)
def test_it_sets_up_once_and_runs_the_demo(clone: Path) -> None:
    first = _start(_BY_SHELL, clone)
    assert first.returncode == 0, first.stderr
    assert "Installing" in first.stderr
    second = _start(_BY_PYTHON, clone, WITHOUT_POSIX)
    assert second.returncode == 0, second.stderr
    assert "Installing" not in second.stderr
    for done in (first, second):
        # Nothing but the demo's own lines are its output.
        assert any(json.loads(line).get("kind") == "heartbeat" for line in done.stdout.splitlines())
        assert " s of signal in " in done.stderr


@pytest.fixture
def start_module(tmp_path: Path) -> ModuleType:
    """demos/start.py on an empty folder."""
    spec = importlib.util.spec_from_file_location("start", ROOT / "demos" / "start.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.ROOT, module.ENVIRONMENT = str(tmp_path), str(tmp_path / ".venv")
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    return module


def test_an_old_python_is_told_plainly(
    start_module: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    monkeypatch.setattr(start_module.sys, "version_info", (3, 8, 10, "final", 0))
    assert start_module.main([]) == 1
    assert "Python 3.11 or newer is needed" in capsys.readouterr().err
    assert not (tmp_path / ".venv").exists()


def test_it_can_be_read_by_older_pythons() -> None:
    """Its grammar is that of Python 3.8, or there would be a SyntaxError instead of a word."""
    import ast

    ast.parse((ROOT / "demos" / "start.py").read_text(encoding="utf-8"), feature_version=(3, 8))


def test_where_windows_keeps_the_environments_python(start_module: ModuleType) -> None:
    """venv's documentation: Scripts\\python.exe on Windows."""
    assert Path(start_module.environment_python("nt")).parts[-3:] == (".venv", "Scripts", "python.exe")


def test_without_exec_it_waits_and_keeps_the_exit_status(
    start_module: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Elsewhere:
        name = "nt"

    monkeypatch.setattr(start_module, "os", Elsewhere)
    assert start_module.run([sys.executable, "-c", "raise SystemExit(3)"]) == 3


def test_a_failed_installation_is_said_and_tried_again(start_module: ModuleType, tmp_path: Path) -> None:
    python = Path(start_module.environment_python())
    python.parent.mkdir(parents=True)
    python.write_text("#!/bin/sh\nexit 1\n")
    python.chmod(0o755)
    for _ in range(2):
        with pytest.raises(start_module.SetUpError, match="installation failed"):
            start_module.prepare()
    assert not list((tmp_path / ".venv").glob("installed-*"))
