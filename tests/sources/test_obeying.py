"""The synthetic person at a calibration: the whole routine without a body, as reliable as it is told to be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bridge.calibration.cues import Routine, Shown, Step, plan
from bridge.evaluation.tasks import FitTask, Material
from bridge.recordings.recorder import Recorder
from bridge.service.sitting import Sitting
from bridge.signals.types import Block
from bridge.sources.obeying import ObeyingPerson
from bridge.sources.person import SyntheticPerson
from bridge.sources.protocol import Prompted
from bridge.sources.synthetic import SyntheticSource

DATE = "2026-01-05T10:00:00"


class Unseen:
    """A screen at which nobody looks."""

    def opened(self, info: object) -> None: ...

    def checking(self, left_s: float) -> None: ...

    def checked(self, snapshots: object) -> None: ...

    def show(self, item: Shown) -> None: ...

    def progress(self, step: Step, number: int, of: int, done_s: float, signal: str) -> None: ...

    def key(self) -> str:
        return ""

    def close(self) -> None: ...


def session(folder: Path, detectors: list[str], person: ObeyingPerson) -> Path:
    path = folder / "session.edf"
    sitting = Sitting(Recorder(path), Routine(plan(detectors, seed=2)), Unseen(), source=person)
    sitting.open(person.info)
    first = 0
    while not sitting.over:
        sitting.take(Block(person.generate(10), first))
        first += 10
    sitting.close()
    assert sitting.finished
    return path


def hit_rate(path: Path, detector: str) -> float:
    made = FitTask(Material(path), (detector,), "me", "board", DATE)()
    return made.detectors[detector].evidence.prediction.hit_rate


@pytest.mark.parametrize("detector", ["blink", "gaze", "contraction"])
def test_the_whole_routine_ends_in_a_profile(tmp_path: Path, detector: str) -> None:
    assert hit_rate(session(tmp_path, [detector], ObeyingPerson(3)), detector) > 0.8


def test_how_reliable_it_is_shows_in_what_it_does(tmp_path: Path) -> None:
    counts = []
    for share in (1.0, 0.5, 0.0):
        person = ObeyingPerson(3, reliability=share)
        folder = tmp_path / str(share)
        folder.mkdir()
        session(folder, ["contraction"], person)
        counts.append(sum(item.kind == "contraction" and item.onset > 8 for item in person.truth))
    asked = 20 + 3 + 10
    assert counts[0] == asked
    # A binomial share of the cues: within four standard deviations of half of them.
    assert abs(counts[1] - asked / 2) < 4 * (asked / 4) ** 0.5
    assert counts[2] == 0


def test_unasked_it_is_the_same_person() -> None:
    own, other = ObeyingPerson(5), SyntheticPerson(5)
    assert np.array_equal(own.generate(20_000), other.generate(20_000))


def test_in_a_step_it_does_nothing_of_its_own() -> None:
    person = ObeyingPerson(5)
    person.generate(500)
    person.prompted("step act gaze", 60.0)
    person.generate(250 * 60)
    late = [item for item in person.truth if 4 < item.onset < 62]
    assert {item.kind for item in late} == {"blink", "heartbeat"}
    assert not any(item.deliberate for item in late)
    # A while after the last step it does again as it likes.
    person.generate(250 * 90)
    assert {"contraction", "gaze-left"} <= {item.kind for item in person.truth if item.onset > 100}


def test_closed_eyes_have_their_rhythm() -> None:
    person = ObeyingPerson(5)
    person.generate(500)
    person.prompted("step closed", 20.0)
    forehead = person.generate(250 * 40)[:, 0]

    def power(part: np.ndarray) -> float:
        spectrum = np.abs(np.fft.rfft(part - part.mean())) ** 2
        hz = np.fft.rfftfreq(part.size, 1 / 250)
        return float(spectrum[(hz > 9.5) & (hz < 10.7)].sum())

    assert power(forehead[250 * 5 : 250 * 15]) > 10 * power(forehead[250 * 25 : 250 * 35])


def test_the_source_hears_prompts_and_refuses_what_is_no_share() -> None:
    assert isinstance(SyntheticSource(), Prompted)
    with pytest.raises(ValueError, match="no share"):
        ObeyingPerson(reliability=1.5)
