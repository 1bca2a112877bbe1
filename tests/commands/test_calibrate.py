"""`calibrate`: from a recording, live with an acting model person, and all that may go wrong."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibration"))

from model_person import INFO, RATE_HZ, Blinker, session

from bridge.calibration.cues import Routine, Shown, Step, plan
from bridge.calibration.profile_text import load_profile
from bridge.commands.calibrate import command
from bridge.commands.calibration_session import BadSignalError, Session
from bridge.recordings import read
from bridge.recordings.annotations import write_csv_annotations
from bridge.recordings.recorder import Recorder
from bridge.signals.figures import QualitySnapshot
from bridge.signals.types import Block, StreamInfo
from bridge.sources.protocol import Sink, SourceCounts


def run(*arguments: object) -> Result:
    return CliRunner().invoke(command, [str(item) for item in arguments])


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a session of the model person as CSV, its cues beside it."""
    folder = tmp_path_factory.mktemp("session")
    samples, marks = session(Blinker(ratio=1.9, spread=0.1, seed=3), seed=3)
    times = np.arange(len(samples)) / RATE_HZ
    table = np.column_stack((times, samples[:, 0]))
    np.savetxt(folder / "s.csv", table, "%.4f", ",", header="time,vertical", comments="")
    write_csv_annotations(folder / "cues.csv", marks)
    return folder


@pytest.fixture(scope="module")
def made(held: Path) -> tuple[Result, Path]:
    out, page = held / "made.yaml", held / "made.html"
    result = run(
        "--detector", "blink", "--replay", held / "s.csv", "--reference", held / "cues.csv",
        "--profile", out, "--report", page, "--json",
    )  # fmt: skip
    return result, out


def test_a_profile_comes_from_a_recording(made: tuple[Result, Path]) -> None:
    result, out = made
    assert result.exit_code == 0, result.output
    plain = json.loads(result.stdout)["detectors"]["blink"]
    assert plain["evidence"]["predicted"]["hit_rate"] >= 0.8
    profile = load_profile(out.read_text(encoding="utf-8"))
    settings = profile.settings_for("blink", [INFO.channels[0]][:0] or None, RATE_HZ)
    assert settings["polarity"] == "positive"
    assert profile.detectors["blink"].made_on.rate_hz == RATE_HZ


def test_it_is_drawn_in_the_terminal(made: tuple[Result, Path]) -> None:
    result = run("--show", made[1])
    assert result.exit_code == 0, result.output
    for words in ("expected hit rate", "false activations", "threshold", "◀ chosen", "next 20 acts"):
        assert words in result.output


def test_the_page_holds_everything_itself(made: tuple[Result, Path]) -> None:
    page = made[1].with_suffix(".html").read_text(encoding="utf-8")
    assert page.count("<svg") == 3
    assert 'lang="en"' in page
    for outside in ('src="http', 'href="http', "@import", "<script", "url(http"):
        assert outside not in page


def test_another_detector_joins_and_the_first_stays(
    made: tuple[Result, Path], held: Path, data_dir: Path
) -> None:
    out = held / "joined.yaml"
    out.write_bytes(made[1].read_bytes())
    name = data_dir / "emg" / "cued-12345-1-1"
    result = run(
        "--detector", "contraction", "--few", "--kind", "emg", "--profile", out,
        "--replay", f"{name}.csv", "--reference", f"{name}.reference.csv",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    profile = load_profile(out.read_text(encoding="utf-8"))
    assert list(profile.detectors) == ["blink", "contraction"]
    assert profile.detectors["contraction"].evidence.few
    assert profile.detectors["contraction"].evidence.prediction.hit_rate >= 0.8


def test_heartbeats_need_rest_only(data_dir: Path, tmp_path: Path) -> None:
    out = tmp_path / "h.yaml"
    result = run(
        "--detector", "heartbeat", "--channel", "MLII", "--replay", data_dir / "ecg" / "100.hea",
        "--reference", data_dir / "ecg" / "100.atr", "--profile", out,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    evidence = load_profile(out.read_text(encoding="utf-8")).detectors["heartbeat"].evidence
    assert evidence.prediction.hit_rate > 0.99
    # 2273 annotated beats in 30 min (MIT-BIH record 100): 75.8 a minute.
    assert evidence.levels["rate"] == pytest.approx(75.8, abs=3)


def test_drowsiness_needs_rest_only(data_dir: Path, tmp_path: Path) -> None:
    """On the real blinks recording as a whole: the baseline is the mean of its blinks' durations."""
    out = tmp_path / "rested.yaml"
    cues = tmp_path / "cues.csv"
    cues.write_text("onset,duration,label\n5.0,60.0,step rest\n", encoding="utf-8")
    result = run(
        "--detector", "drowsiness", "--replay", data_dir / "eog" / "blinks-200hz.csv", "--reference", cues,
        "--profile", out, "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    part = load_profile(out.read_text(encoding="utf-8")).detectors["drowsiness"]
    # 17 blinks a minute at rest (Bentivoglio 1997); this person blinks more.
    assert 15 < part.evidence.levels["blinks a minute"] < 45
    assert 0.05 < part.settings["rested_duration_s"] < 0.3
    assert run("--show", out).exit_code == 0


def _meant(folder: Path) -> tuple[Path, list[str]]:
    """A reference of another kind: 20 meant blinks, 25 others, and a minute of reading, by the model."""
    person = Blinker(ratio=2.0, spread=0.12, seed=8)
    random = np.random.default_rng(8)
    rows, time_s = ["onset,duration,label"], 8.0
    for number in range(45):
        meant = number % 9 < 4
        person.blinks.append((time_s, person.height(meant), meant))
        rows.append(f"{time_s:.3f},0,blink {'deliberate' if meant else 'spontaneous'}")
        time_s += float(random.uniform(1.5, 3.0))
    rows.append(f"{time_s:.3f},40,read")
    samples = person.signal(0, int((time_s + 41) * 200))
    file = folder / "meant.csv"
    np.savetxt(file, samples, "%.2f", header="vertical", comments="")
    return file, rows


def _fit_meant(folder: Path, rows: list[str]) -> tuple[Result, Path]:
    file, _ = _meant(folder)
    marks, out = folder / "marks.csv", folder / "p.yaml"
    marks.write_text("\n".join(rows) + "\n", encoding="utf-8")
    options = ("--replay", file, "--rate", 200, "--reference", marks, "--profile", out, "--json")
    return run("--detector", "blink", *options), out


def test_meant_blinks_are_told_from_spontaneous_ones(tmp_path: Path) -> None:
    _, rows = _meant(tmp_path)
    done, _ = _fit_meant(tmp_path, rows)
    assert done.exit_code == 0, done.output
    part = json.loads(done.stdout)["detectors"]["blink"]
    assert part["evidence"]["counts"]["acts"] == {"blink deliberate": 20}
    predicted = part["evidence"]["predicted"]
    # The model's medians are 500 and 250 uV, each with a spread of an eighth.
    assert predicted["hits"] >= 18
    assert predicted["false_activations"] <= 2


@pytest.mark.parametrize(("label", "fits"), [("deliberate-blink", False), ("sneeze", True)])
def test_a_label_that_is_not_understood_is_never_passed_over_in_silence(
    label: str, fits: bool, tmp_path: Path
) -> None:
    _, rows = _meant(tmp_path)
    done, out = _fit_meant(tmp_path, [*rows, f"9.5,0,{label}", f"13.5,0,{label}"])
    assert f"{label!r} (2 times)" in done.stderr
    assert "blink deliberate | spontaneous" in done.stderr
    assert ("did you mean 'blink deliberate'?" in done.stderr) is not fits
    assert (done.exit_code == 0) is fits
    assert out.exists() is fits


def _failing(held: Path, tmp_path: Path, *arguments: object, cues: Path | None = None) -> Result:
    """Run where a good profile stands already; it must stand unchanged afterwards."""
    out = tmp_path / "old.yaml"
    out.write_bytes((held / "made.yaml").read_bytes())
    before = out.read_bytes()
    result = run(
        "--detector", "blink", "--profile", out, "--replay", held / "s.csv",
        "--reference", cues or held / "cues.csv", *arguments,
    )  # fmt: skip
    assert out.read_bytes() == before
    assert [item.name for item in tmp_path.glob(".old*")] == []
    return result


def test_cues_of_another_session_overwrite_nothing(
    made: tuple[Result, Path], held: Path, tmp_path: Path
) -> None:
    lines = (held / "cues.csv").read_text(encoding="utf-8").splitlines()
    shifted = [lines[0]]
    for line in lines[1:]:
        onset, rest = line.split(",", 1)
        moved = float(onset) + (1.3 if "cue" in rest else 0.0)
        shifted.append(f"{moved},{rest}")
    cues = tmp_path / "cues.csv"
    cues.write_text("\n".join(shifted), encoding="utf-8")
    result = _failing(held, tmp_path, cues=cues)
    assert result.exit_code == 1
    assert "no profile was written" in result.output


def test_few_cues_overwrite_nothing(made: tuple[Result, Path], held: Path, tmp_path: Path) -> None:
    lines = (held / "cues.csv").read_text(encoding="utf-8").splitlines()
    deliberate = [line for line in lines if "deliberate" in line]
    cues = tmp_path / "cues.csv"
    cues.write_text("\n".join(line for line in lines if line not in deliberate[:4]), encoding="utf-8")
    result = _failing(held, tmp_path, cues=cues)
    assert result.exit_code == 1
    assert "--few allows fewer" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--show", "none.yaml"], "cannot be read"),
        ([], "--detector"),
        (["--detector", "sleep"], "no calibration for 'sleep'"),
        (["--detector", "blink", "--reference", "x.csv"], "--reference belongs to --replay"),
        (["--detector", "blink", "--replay", "none.csv"], "no such file"),
        (["--detector", "blink", "--cost", "0"], "--cost"),
    ],
)
def test_wrong_use_is_told(arguments: Sequence[str], words: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in result.output


def test_a_recording_without_cues_or_a_broken_profile_is_told(held: Path, tmp_path: Path) -> None:
    result = run("--detector", "blink", "--replay", held / "s.csv", "--profile", tmp_path / "x.yaml")
    assert result.exit_code == 2
    assert "no cues" in result.output
    broken = tmp_path / "broken.yaml"
    broken.write_text("version: 1\nperson: a\ndevice: b\ndetectors: {blink: {settings: [}}", encoding="utf-8")
    result = run(
        "--detector",
        "blink",
        "--replay",
        held / "s.csv",
        "--reference",
        held / "cues.csv",
        "--profile",
        broken,
    )
    assert result.exit_code == 2
    assert "broken.yaml:4:" in result.output


# -- live ----------------------------------------------------------------------------------------------


class Acting:
    """A source whose person hears the cues. As fast as possible; ``until`` cuts it short."""

    def __init__(
        self, person: Blinker, *, until_s: float | None = None, off_from_s: float | None = None
    ) -> None:
        self.counts = SourceCounts()
        self.person, self.until_s, self.off_from_s = person, until_s, off_from_s

    async def open(self) -> StreamInfo:
        return INFO

    async def run(self, sink: Sink) -> None:
        first, count = 0, 10
        while self.until_s is None or first < self.until_s * RATE_HZ:
            samples = self.person.signal(first, count)
            if self.off_from_s is not None and first >= self.off_from_s * RATE_HZ:
                samples[:] = 1000.0
            sink(Block(samples, first))
            first += count
            if first % 2000 == 0:
                await asyncio.sleep(0)

    async def close(self) -> None:
        pass


class Hearing:
    """A screen that hands the cues to the person; ``keys`` are pressed at given numbers of cues."""

    def __init__(self, person: Blinker, routine: Routine, keys: dict[int, str] | None = None) -> None:
        self.person, self.routine = person, routine
        self.keys = keys or {}
        self.cues = 0
        self.time_s = 0.0
        self.closed = False
        self.snapshots: Sequence[QualitySnapshot] = ()

    def opened(self, info: StreamInfo) -> None:
        self.time_s = 0.0

    def checking(self, left_s: float) -> None:
        self.time_s = 5.0 - left_s

    def checked(self, snapshots: Sequence[QualitySnapshot]) -> None:
        self.snapshots = snapshots

    def show(self, item: Shown) -> None:
        if item.what == "step" and item.step is not None:
            self.person.spontaneous(item.time_s, item.time_s + item.step.seconds)
        if item.what == "cue" and item.cue is not None:
            self.cues += 1
            self.person.answer(item.cue.label, item.time_s)

    def progress(self, step: Step, number: int, of: int, done_s: float, signal: str) -> None:
        assert 1 <= number <= of

    def key(self) -> str:
        return self.keys.pop(self.cues, "")

    def close(self) -> None:
        self.closed = True


def hold(path: Path, person: Blinker, *, keys: dict[int, str] | None = None, **cut: float) -> Session:
    routine = Routine(plan(["blink"], seed=7))
    session_ = Session(Acting(person, **cut), Recorder(path), routine, Hearing(person, routine, keys))  # type: ignore[arg-type]
    asyncio.run(session_.run())
    return session_


def test_a_live_session_is_recorded_with_its_cues_and_fits(tmp_path: Path) -> None:
    path = tmp_path / "live.edf"
    held_ = hold(path, Blinker(ratio=2.0, spread=0.1, seed=8), keys={3: "r"})
    assert held_.finished
    labels = [item.label for item in read(path).annotations]
    assert labels.count("step repeated") == 1
    assert labels.count("cue blink deliberate") == 3 + 10 + 5
    result = run("--detector", "blink", "--replay", path, "--profile", tmp_path / "p.yaml", "--json")
    assert result.exit_code == 0, result.output
    evidence = json.loads(result.stdout)["detectors"]["blink"]["evidence"]
    assert evidence["counts"]["acts"] == {"blink deliberate": 10}
    assert evidence["predicted"]["hit_rate"] >= 0.8


@pytest.mark.parametrize("how", ["quits", "source ends"])
def test_an_interrupted_session_loses_nothing_already_done(tmp_path: Path, how: str) -> None:
    path = tmp_path / "cut.edf"
    person = Blinker(ratio=2.0, spread=0.1, seed=9)
    held_ = hold(path, person, keys={12: "q"}) if how == "quits" else hold(path, person, until_s=70.0)
    assert not held_.finished
    recording = read(path)
    assert recording.seconds >= 45
    assert sum(item.label == "cue blink deliberate" for item in recording.annotations) == 10


def test_a_source_without_the_channel_is_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "none.edf"
    source = tmp_path / "emg.csv"
    source.write_text("time,emg\n" + "\n".join(f"{i / 200},{i % 7}" for i in range(2000)), encoding="utf-8")
    result = run(
        "--detector", "blink", "--source", source, "--record", path, "--profile", tmp_path / "p.yaml"
    )
    assert result.exit_code == 2
    assert "needs a channel of kind" in result.output
    assert not path.exists()


def test_a_bad_signal_stops_it_before_it_begins(tmp_path: Path) -> None:
    with pytest.raises(BadSignalError, match=r"too bad to start .*vertical"):
        hold(tmp_path / "bad.edf", Blinker(seed=1), off_from_s=2.0)


@pytest.mark.parametrize("off_from_s", [40.0, 80.0, 120.0])
def test_electrodes_that_come_off_half_way_overwrite_nothing(
    made: tuple[Result, Path], tmp_path: Path, off_from_s: float
) -> None:
    path = tmp_path / "off.edf"
    hold(path, Blinker(ratio=2.0, spread=0.1, seed=8), off_from_s=off_from_s)
    out = tmp_path / "p.yaml"
    out.write_bytes(made[1].read_bytes())
    result = run("--detector", "blink", "--replay", path, "--profile", out)
    assert result.exit_code == 1
    print(result.output)
    assert "electrodes" in result.output
    assert "no profile was written" in result.output
    assert out.read_bytes() == made[1].read_bytes()
