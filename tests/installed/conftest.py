"""An environment with the program for each class of tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from bridge.sources.person import SyntheticPerson
from tests.installed.documented import readme_rules
from tests.installed.installation import ROOT, Installation, new_installation

# Checks in them are told as fully as those in test files.
pytest.register_assert_rewrite("tests.installed.every_command", "tests.installed.many_recordings")

_RATE_HZ = 250
_SECONDS = 60


@pytest.fixture(scope="class")
def installation(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Installation:
    """The program, and on its desk what the commands of the README and the help ask for."""
    made = new_installation(request.cls.kind, tmp_path_factory.mktemp(request.cls.kind))
    shutil.copytree(ROOT / "configs", made.desk / "configs")
    (made.desk / "home/.config/systemd/user").mkdir(parents=True)
    (made.desk / "rules.yaml").write_text(readme_rules())
    (made.desk / "running").mkdir()
    (made.desk / "running" / "slides.yaml").write_text(
        readme_rules().replace(readme_rules().splitlines()[1], "source: {type: synthetic, seed: 3}")
    )
    (made.desk / "password.txt").write_text("open sesame\n")
    for name in ("recording", "blinks"):
        _write_blinks(made.desk, name)
    shutil.copy(made.desk / "recording.reference.csv", made.desk / "marked.csv")
    for day in ("monday", "tuesday", "wednesday"):
        done = made.run(f"biosignal-bridge record {day}.edf --source synthetic --fast --for {_SECONDS}")
        assert done.code == 0, done.all
    return made


def _write_blinks(folder: Path, name: str) -> None:
    """A minute of a synthetic person's blinks as CSV, in a channel ``vertical``, and when each was."""
    person = SyntheticPerson(3, float(_RATE_HZ))
    samples = person.generate(_SECONDS * _RATE_HZ)
    forehead = [channel.kind for channel in person.info.channels].index("eeg")
    table = np.column_stack((np.arange(len(samples)) / _RATE_HZ, samples[:, forehead]))
    np.savetxt(folder / f"{name}.csv", table, "%.4f", ",", header="time,vertical", comments="")
    marks = [item.annotation() for item in person.truth_until(_SECONDS)]
    lines = [f"{mark.onset:.3f},{mark.duration:.3f},{mark.label}" for mark in marks if mark.label == "blink"]
    assert len(lines) > 5
    (folder / f"{name}.reference.csv").write_text("\n".join(("onset,duration,label", *lines, "")))
