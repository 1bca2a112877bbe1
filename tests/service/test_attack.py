"""The attacks of `python -m tests.bench.attack`, in small: nothing is reached."""

from __future__ import annotations

import json

from tests.bench.attack.__main__ import run


def test_nothing_is_reached() -> None:
    results = run(40)
    assert len(results) >= 10
    reached = {name: counts for name, counts in results.items() if not counts["held"]}
    assert reached == {}, json.dumps(reached)
