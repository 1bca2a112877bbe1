"""The site of guides: built by its one command, every link leads somewhere, nothing is loaded from elsewhere."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import defaultdict
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from urllib.parse import unquote, urlsplit

import numpy as np
import pytest
import yaml

import bridge
from bridge.signals.quality import ChannelQuality, Reason, Verdict
from bridge.signals.types import Channel

ROOT = Path(__file__).resolve().parents[2]
GUIDES = ROOT / "demos" / "guides"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("site")
    done = subprocess.run(
        [sys.executable, GUIDES / "build.py", target], capture_output=True, text=True, cwd="/", env=os.environ
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == str(target / "index.html")
    assert "WARNING" not in done.stderr
    return target


class Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: set[str] = set()
        self.links: list[str] = []
        self.loaded: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.ids |= {value for name in ("id", "name") if (value := found.get(name))}
        for name in ("href", "src"):
            if value := found.get(name):
                (self.links if tag == "a" else self.loaded).append(value)


def test_every_link_leads_somewhere(site: Path) -> None:
    pages = {path: Page(path.read_text(encoding="utf-8")) for path in site.rglob("*.html")}
    assert len(pages) > 15
    dead = defaultdict(set)
    followed = 0
    for path, page in pages.items():
        for link in page.links + page.loaded:
            parts = urlsplit(link)
            if parts.scheme or parts.netloc or link == "#":
                continue
            # A path that begins with / is from the site's own start; mkdocs writes such for pages not found.
            base = site if parts.path.startswith("/") else path.parent
            target = (base / unquote(parts.path).lstrip("/")).resolve() if parts.path else path
            followed += 1
            if not target.is_file() or (
                parts.fragment
                and target in pages
                and unquote(parts.fragment) not in pages[target].ids
                and path.name != "404.html"
            ):
                dead[str(path.relative_to(site))].add(link)
    assert followed > 300
    assert not dead


def test_nothing_is_loaded_from_elsewhere(site: Path) -> None:
    for path in site.rglob("*.html"):
        for link in Page(path.read_text(encoding="utf-8")).loaded:
            parts = urlsplit(link)
            assert not parts.netloc or parts.scheme == "data", f"{path.relative_to(site)}: {link}"


def test_every_guide_is_there_and_can_be_searched(site: Path) -> None:
    nav = json.dumps(yaml.safe_load((GUIDES / "mkdocs.yml").read_text())["nav"])
    for guide in GUIDES.glob("*.md"):
        assert f"demos/guides/{guide.name}" in nav
    index = json.loads((site / "search" / "search_index.json").read_text())
    places = {entry["location"] for entry in index["docs"] if "refractory" in entry["text"].lower()}
    assert any("glossary" in place or "REFERENCE" in place for place in places)
    api = (site / "api" / "bridge.html").read_text(encoding="utf-8")
    missing = [name for name in bridge.__all__ if f'id="{name}"' not in api]
    assert not missing


def test_a_link_that_leads_nowhere_ends_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    build = script("build")
    monkeypatch.setattr(build, "ROOT", tmp_path)
    monkeypatch.setattr(build, "GUIDES", tmp_path / "guides")
    (tmp_path / "README.md").write_text("[a](guides/b.md) and `[no](link)`, [there](https://example.org)\n")
    (tmp_path / "guides").mkdir()
    (tmp_path / "guides" / "b.md").write_text("![a picture](nothing.png)\n")
    with pytest.raises(build.BuildError, match=r"guides/b.md: the link to nothing.png leads nowhere"):
        build.gather(tmp_path / "out")
    (tmp_path / "guides" / "nothing.png").write_bytes(b"")
    build.gather(tmp_path / "out")
    assert (tmp_path / "out" / "guides" / "nothing.png").exists()


def script(name: str) -> ModuleType:
    from importlib.util import module_from_spec, spec_from_file_location

    spec = spec_from_file_location(f"guides_{name}", GUIDES / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_pictures_show_what_they_say(data_dir: Path, tmp_path: Path) -> None:
    """Each stretch is judged by the signal check: nothing is said of the good ones, of the others what the title says."""
    drawing = script("draw_signals")
    wide = []
    for panel in drawing.PANELS:
        recording = bridge.read(data_dir / panel.file, channels=[panel.channel])
        rate, (channel,) = recording.info.rate, recording.info.channels
        start = round(panel.start_s * rate)
        samples = bridge.array_of(recording)[start : start + round(panel.seconds * rate), 0]
        if panel.reason == "railed":
            channel = Channel(channel.name, channel.kind, "uV", -1000.0, 999.5)  # where that head band ends
        turns = ChannelQuality(channel, rate).process(samples, 0)
        reasons = {turn.reason.value for turn in turns if turn.verdict is not Verdict.GOOD}
        if panel.reason in {reason.value for reason in Reason}:
            assert panel.reason in reasons, panel.title
        elif panel.reason:
            assert np.ptp(samples) > 3 * wide[-1], (
                panel.title
            )  # no more than a moving electrode's size is told
        else:
            assert not reasons, panel.title
        wide.append(float(np.ptp(samples)))
    drawing.draw(data_dir, tmp_path / "signals.png")
    assert (tmp_path / "signals.png").stat().st_size > 50_000
    from PIL import Image

    with Image.open(tmp_path / "signals.png") as made, Image.open(drawing.PICTURE) as kept:
        assert made.size == kept.size
