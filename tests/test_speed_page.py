"""The page for developers shows the speed figures that were measured last, and no others."""

from __future__ import annotations

import json
from pathlib import Path

from tests.bench.speed.page import section, targets

ROOT = Path(__file__).resolve().parents[1]
RESULTS = json.loads((ROOT / "tests/bench/speed/results.json").read_text())


def test_the_page_is_what_the_results_say() -> None:
    assert section(RESULTS) in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert (ROOT / "tests/bench/speed/speed.png").read_bytes().startswith(b"\x89PNG")


def test_what_is_not_reached_is_told() -> None:
    told = section(RESULTS)
    missed = [name for name, ratio, most in targets(RESULTS) if ratio > most]
    assert told.count("**no**") == len(missed)
    for name in missed:
        assert f"| {name} |" in told
