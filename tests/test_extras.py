"""Extras: what needs one says so before any work; what does not never loads one."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from bridge.extras import EXTRAS, MissingExtraError, install_command, installed, need

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]

# Runs the program in this process, as if the modules named first were not installed, and says what it has loaded.
PROGRAM = """
import sys
from importlib.abc import MetaPathFinder

missing = set(sys.argv.pop(1).split(","))

class NotInstalled(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in missing:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, NotInstalled())
import importlib.util
find = importlib.util.find_spec
importlib.util.find_spec = lambda name, package=None: None if name in missing else find(name, package)

from bridge.commands import main
try:
    main()
finally:
    print("loaded:", *sorted({name.partition(".")[0] for name in sys.modules}), file=sys.stderr)
"""

RULES = """version: 1
source: {type: synthetic, seed: 3}
outputs:
  keys: {type: keystrokes}
  lights: {type: mqtt, host: 127.0.0.1}
  sound: {type: osc, host: 127.0.0.1, port: 9}
rules:
  - {name: Next slide, when: {event: heartbeat}, then: {press: PageDown}}
"""
LSL_RULES = RULES.replace("{type: synthetic, seed: 3}", "{type: lsl, name: nobody}")


def bridge(folder: Path, *arguments: Any, missing: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", PROGRAM, missing, *map(str, arguments)],
        cwd=folder, env={"PATH": "/usr/bin:/bin", "HOME": str(folder), "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=100,
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording, its reference and two rule files; what is asked for comes to nothing, so they are never read."""
    made = tmp_path_factory.mktemp("extras")
    (made / "beats.csv").write_text("time,ecg\n" + "".join(f"{at / 250},{at % 7}\n" for at in range(2500)))
    (made / "beats.reference.csv").write_text("onset,duration,label\n1,0,heartbeat\n")
    (made / "beats.atr").write_bytes(b"\0\0")
    (made / "record.hea").write_text("record 1 250 2500\nrecord.dat 16 200 16 0 0 0 0 ECG\n")
    (made / "rules.yaml").write_text(RULES)
    (made / "lsl.yaml").write_text(LSL_RULES)
    return made


SCORE = ("evaluate", "beats.csv", "--detector", "heartbeat", "--reference")
FIT = ("calibrate", "--detector", "heartbeat", "--replay", "beats.csv", "--reference", "beats.reference.csv")
NEEDS = [
    ("plots", "matplotlib", (*SCORE, "beats.reference.csv", "--plot", "made.png")),
    ("plots", "matplotlib", (*FIT, "--profile", "made.yaml", "--report", "made.html")),
    ("wfdb", "wfdb", ("detect", "record.hea", "--detector", "heartbeat")),
    ("wfdb", "wfdb", ("detect", "beats.csv", "record", "--detector", "heartbeat")),
    ("wfdb", "wfdb", (*SCORE, "beats.atr")),
    ("wfdb", "wfdb", (*FIT[:-1], "beats.atr", "--profile", "made.yaml")),
    ("wfdb", "wfdb", ("run", "rules.yaml", "--replay", "record.hea", "--record", "made.edf")),
    ("wfdb", "wfdb", ("check", "--source", "record.hea")),
    ("cluster", "distributed", ("detect", "beats.csv", "--detector", "heartbeat", "--scheduler", "tcp://127.0.0.1:9")),
    ("lsl", "pylsl", ("run", "lsl.yaml", "--dry-run", "--record", "made.edf")),
    ("lsl", "pylsl", ("record", "made.edf", "--source", "lsl.yaml")),
    ("keyring", "keyring", ("login", "add", "lab", "--host", "127.0.0.1", "--keyring")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("extra", "module", "arguments"),
    NEEDS,
    ids=lambda item: " ".join(item) if isinstance(item, tuple) else "",
)
def test_what_needs_an_extra_says_so_in_one_line(extra: str, module: str, arguments: tuple[str, ...], folder: Path) -> None:  # fmt: skip
    done = bridge(folder, *arguments, missing=module)
    told, _, loaded = done.stderr.partition("loaded: ")
    assert (done.returncode, done.stdout) == (2, "")
    assert re.fullmatch(rf"Error: .+ needs {module}: .*pip install 'biosignal-bridge\[{extra}\]'\n", told), (
        told
    )
    assert module not in loaded.split()
    assert not list(folder.glob("made*"))


def test_nothing_else_needs_one(folder: Path) -> None:
    """The same without what needs the extras, where none of them is there."""
    none = ",".join(EXTRAS.values())
    for arguments, code in (
        (("detect", "beats.csv", "beats.csv", "--detector", "heartbeat", "--workers", "1"), 0),
        ((*SCORE, "beats.reference.csv"), 0),
        (("record", "own.edf", "--source", "synthetic", "--fast", "--for", "5"), 0),
        (("rules", "check", "lsl.yaml"), 0),
        (("--version",), 0),
    ):
        done = bridge(folder, *arguments, missing=none)
        assert done.returncode == code, (arguments, done.stderr)
    assert "Extras: none; not installed: plots, wfdb, cluster, lsl, keyring" in done.stdout


def test_the_daemon_loads_none(folder: Path) -> None:
    """Nor does it load what the extras bring with them; all of that is installed here."""
    assert all(map(installed, EXTRAS))
    for how in (("--replay", "beats.csv", "--fast", "--no-monitor"), ("--for", "1")):
        done = bridge(folder, "run", "rules.yaml", "--dry-run", *how)
        assert done.returncode == 0, done.stderr
        loaded = set(done.stderr.partition("loaded: ")[2].split())
        assert {"bridge", "numpy", "yaml"} <= loaded
        assert not loaded & {*EXTRAS.values(), "dask", "pandas", "PIL", "tornado", "cryptography"}
    assert "aiohttp" in loaded


def test_the_package_loads_nothing_at_all() -> None:
    found = subprocess.run(
        [sys.executable, "-c", "import sys; before = set(sys.modules); import bridge; print(*set(sys.modules) - before)"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert set(found.stdout.split()) <= {"bridge", "__future__"}


def test_the_extras_are_those_of_the_project() -> None:
    declared = PROJECT["optional-dependencies"]
    assert set(declared) == {*EXTRAS, "all", "test"}
    assert declared["all"] == [f"biosignal-bridge[{','.join(EXTRAS)}]"]
    assert declared["test"][0] == "biosignal-bridge[all]"
    own = {
        "plots": "matplotlib",
        "wfdb": "wfdb",
        "cluster": "dask[distributed]",
        "lsl": "pylsl",
        "keyring": "keyring",
    }
    assert {name: re.match(r"[\w\[\]-]+", declared[name][0])[0] for name in EXTRAS} == own  # type: ignore[index]
    core = " ".join(PROJECT["dependencies"])
    assert not [library for library in (*own.values(), "cryptography", "pandas", "pillow") if library in core]


def test_the_command_that_installs_fits_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    environment = tmp_path / "an environment"
    (environment / "bin").mkdir(parents=True)
    (environment / "bin/pip").touch(0o755)
    monkeypatch.setattr(sys, "executable", str(environment / "bin/python"))
    monkeypatch.setattr(sys, "prefix", str(environment))
    # Activated: what is called pip is this environment's. Else it would install elsewhere.
    monkeypatch.setenv("PATH", str(environment / "bin"))
    assert install_command("biosignal-bridge[plots]") == "pip install 'biosignal-bridge[plots]'"
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    assert (
        install_command("biosignal-bridge[plots]")
        == f"'{environment}/bin/python' -m pip install 'biosignal-bridge[plots]'"
    )
    (environment / "pipx_metadata.json").touch()
    assert (
        install_command("biosignal-bridge[lsl]")
        == "pipx runpip biosignal-bridge install 'biosignal-bridge[lsl]'"
    )
    monkeypatch.setitem(EXTRAS, "plots", "no_such_module")
    with pytest.raises(MissingExtraError, match=r"a picture needs no_such_module: pipx runpip"):
        need("plots", "a picture")
