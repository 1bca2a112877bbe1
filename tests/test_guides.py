"""The guides: links, pictures, tables and code are what they say."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from bridge.detectors import DETECTORS
from bridge.detectors.protocol import DetectorType
from bridge.signals.types import CHANNEL_KINDS, Block, Channel, Event

GUIDES = Path(__file__).resolve().parents[1] / "demos" / "guides"
PAGES = sorted(GUIDES.glob("*.md"))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_pictures_are_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for words, target in re.findall(r"!?\[([^\]]*)\]\(([^)\s]+)\)", text):
        assert words
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize("name", ["face", "forearm", "chest"])
def test_drawings_can_be_read_by_everybody(name: str) -> None:
    root = ET.parse(GUIDES / f"{name}.svg").getroot()
    spaces = {"s": "http://www.w3.org/2000/svg"}
    assert root.get("role") == "img"
    assert len(root.findtext("s:title", "", spaces)) > 10
    assert len(root.findtext("s:desc", "", spaces)) > 60


def test_cautions_stand_where_electrodes_are() -> None:
    text = (GUIDES / "electrodes.md").read_text(encoding="utf-8")
    head = text[: text.index("## Face")].replace("\n> ", " ")
    for words in (
        "Batteries only",
        "mains",
        "implant",
        "Not a medical device",
        "vehicles",
        "safety control",
        "Local codes",
    ):
        assert words in head
    for kind in CHANNEL_KINDS:
        assert f"`{kind}`" in text


def test_the_degrees_are_computed() -> None:
    text = (GUIDES / "trouble.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| [^|]+\| (\d+) cm \| (.*) \|$", text, re.MULTILINE)
    assert len(rows) == 3
    for width, cells in rows:
        for distance, cell in zip((40, 60, 80, 100), cells.split(" | "), strict=True):
            assert cell == f"±{math.degrees(math.atan(int(width) / 2 / distance)):.0f}°"


def test_the_example_detector_works_as_the_page_says(monkeypatch: pytest.MonkeyPatch) -> None:
    text = (GUIDES / "own-detector.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    module = ModuleType("jaw_click")
    monkeypatch.setitem(sys.modules, "jaw_click", module)
    exec(compile(code, "own-detector.md", "exec"), module.__dict__)
    type_ = module.TYPE
    assert isinstance(type_, DetectorType)
    rate_hz, random = 500.0, np.random.default_rng(3)
    x = random.normal(0, 3, 5000)
    clicks, grips = (1000, 2500, 4000), (1600, 3200)
    for at in clicks:
        x[at : at + 40] = random.normal(0, 150, 40)
    for at in grips:
        x[at : at + 400] = random.normal(0, 150, 400)

    def events(size: int) -> list[Event]:
        detector = type_.create("click", [Channel("jaw", "emg", "uV")], rate_hz, {})
        found = []
        for first in range(0, len(x), size):
            found += detector.process(Block(x[first : first + size, None], first))
        return [item for item in [*found, *detector.flush()] if isinstance(item, Event)]

    found = events(7)
    assert [round(event.onset * rate_hz / 100) for event in found] == [at // 100 for at in clicks]
    assert found == events(5000) == events(64)
    assert all(event.onset <= event.decided <= event.onset + type_.latency_s for event in found)
    wild = type_.create("click", [Channel("jaw", "emg")], rate_hz, {})
    assert wild.process(Block(np.array([[np.nan], [np.inf], [0.0]]), 0)) == []
    with pytest.raises(ValueError, match="above 0"):
        type_.create("click", [Channel("jaw", "emg")], rate_hz, {"threshold": 0.0})


@pytest.fixture(scope="module")
def beside(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An environment in which the guide's package is installed beside the bridge, as pip would leave it."""
    text = (GUIDES / "own-detector.md").read_text(encoding="utf-8")
    folder = tmp_path_factory.mktemp("beside")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    (project,) = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    (folder / "jaw_click.py").write_text(code, encoding="utf-8")
    installed = folder / "jaw_click-0.1.dist-info"
    installed.mkdir()
    (installed / "METADATA").write_text("Metadata-Version: 2.1\nName: jaw-click\nVersion: 0.1\n")
    ((group, entries),) = tomllib.loads(project)["project"]["entry-points"].items()
    lines = [f"{name} = {value}" for name, value in entries.items()]
    (installed / "entry_points.txt").write_text("\n".join([f"[{group}]", *lines, ""]))
    return {**os.environ, "PYTHONPATH": str(folder), "COLUMNS": "200"}


def bridge(environment: dict[str, str], folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "bridge", *words],
        cwd=folder, env=environment, capture_output=True, text=True, timeout=100,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_detector_of_another_package_is_one_like_the_others(beside: dict[str, str], tmp_path: Path) -> None:
    """In detect, evaluate, rules and what they explain, with nothing edited here."""
    random = np.random.default_rng(3)
    x = random.normal(0, 3, 6000)
    clicks = (3000, 4000, 5000)
    for at in clicks:
        x[at : at + 40] = random.normal(0, 150, 40)
    rows = "\n".join(f"{index / 500:.3f},{value:.3f}" for index, value in enumerate(x))
    (tmp_path / "recording.csv").write_text(f"time,forearm\n{rows}\n")
    marks = "\n".join(f"{at / 500},0,jaw-click" for at in clicks)
    (tmp_path / "marked.csv").write_text(f"onset,duration,label\n{marks}\n")
    which = ("--detector", "jaw-click", "--channel", "forearm", "--kind", "emg")

    lines = bridge(beside, tmp_path, "detect", "recording.csv", *which, "--json").splitlines()
    found = [json.loads(line) for line in lines]
    assert [event["kind"] for event in found if "kind" in event] == ["jaw-click"] * 3

    words = ("evaluate", "recording.csv", *which, "--reference", "marked.csv", "--json")
    scored = json.loads(bridge(beside, tmp_path, *words))
    assert (scored["true_positives"], scored["false_positives"], scored["window_ms"]) == (3, 0, 150)

    text = (GUIDES / "own-detector.md").read_text(encoding="utf-8")
    (rules,) = re.findall(r"```yaml\n(.*?)```", text, re.DOTALL)
    (tmp_path / "rules.yaml").write_text(rules, encoding="utf-8")
    bridge(beside, tmp_path, "rules", "check", "rules.yaml")
    assert "a click of the jaw with amplitude above 40" in bridge(
        beside, tmp_path, "rules", "explain", "rules.yaml"
    )
    acts = bridge(
        beside, tmp_path, "run", "rules.yaml", "--replay", "recording.csv", *which[2:], "--fast", "--dry-run",
        "--json", "--no-monitor",
    )  # fmt: skip
    assert acts.count("PageDown") == 3


def test_one_that_takes_a_name_or_breaks_is_left_out(beside: dict[str, str], tmp_path: Path) -> None:
    def told(code: str) -> str:
        (Path(beside["PYTHONPATH"]) / "jaw_click.py").write_text(code, encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-c", "import bridge.detectors as d; print(*d.DETECTORS)"],
            env=beside, capture_output=True, text=True, timeout=60, check=True,
        )  # fmt: skip
        assert done.stdout.split() == list(DETECTORS)
        return done.stderr

    text = (GUIDES / "own-detector.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert "blink is there already" in told(
        code.replace('"jaw-click",\n            "a click', '"blink",\n            "a')
    )
    assert "division by zero" in told("1 / 0")
    assert "is no DetectorType" in told("TYPE = 3")
