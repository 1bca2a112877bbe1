"""The accuracy page is what its figures say, and each ready file's first comment says what the page does."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from bridge.calibration.intervals import poisson_interval
from bridge.rules.loader import load
from bridge.signals.types import Event
from tests.bench.accuracy import office_day, page
from tests.bench.accuracy.by_person import counts, f1, lower_quartile, pooled


def figures() -> dict[str, Any]:
    report = json.loads((page.FOLDER / "results.json").read_text(encoding="utf-8"))
    assert isinstance(report, dict)
    return report


def test_the_page_is_written_from_its_figures() -> None:
    assert (page.FOLDER / "RESULTS.md").read_text(encoding="utf-8") == page.text(figures())


def test_the_first_comment_of_each_file_says_what_the_page_says() -> None:
    measured = figures().get("office")
    for path in sorted(office_day.CONFIGS.glob("*.yaml")):
        rows = [
            row for row in path.read_text(encoding="utf-8").splitlines() if row.startswith(office_day.LINE)
        ]
        assert rows == ([office_day.line(measured["figures"][path.name])] if measured else []), path.name


def test_what_a_file_would_have_sent_is_counted_by_its_own_rules() -> None:
    """Letting go of a key is not another action, and the cooldown of a file is kept."""
    text = (office_day.CONFIGS / "first-try.yaml").read_text(encoding="utf-8")
    blinks = [Event("blink", "instant", t, t + 0.1, "forehead", {"deliberate": 0.0}) for t in (1.0, 2.0, 9.0)]
    assert office_day.sent(load(text).rules, blinks, 20.0) == pytest.approx([1.1, 2.1, 9.1])
    text = (office_day.CONFIGS / "squeeze-to-talk.yaml").read_text(encoding="utf-8")
    squeeze = [
        Event("contraction", "start", 1.0, 1.1, "forearm"),
        Event("contraction", "end", 3.0, 3.1, "forearm", {"duration": 2.0}),
    ]
    assert len(office_day.sent(load(text).rules, squeeze, 20.0)) == 1


def test_the_line_is_put_into_the_first_comment_and_replaced_there() -> None:
    text = "# Title\n#\n# Battery power only, …\nversion: 1\n"
    once = office_day.with_line(text, "# Unasked: 1")
    assert once == "# Title\n#\n# Unasked: 1\n# Battery power only, …\nversion: 1\n"
    assert office_day.with_line(once, "# Unasked: 2") == once.replace("1\n# B", "2\n# B")


def test_nothing_in_three_hours_has_the_exact_interval_of_counting() -> None:
    """Garwood's upper end for no events in t hours is -ln(0.025)/t (computed)."""
    rate = office_day.an_hour([(0, 1.0), (0, 2.0)])
    assert (rate.value, rate.low) == (0.0, 0.0)
    assert rate.high == pytest.approx(-np.log(0.025) / 3)
    many = office_day.an_hour([(50, 1.0), (2, 1.0), (1, 1.0)])
    exact = poisson_interval(53, 3.0)
    assert many.low is not None
    assert many.high is not None
    assert many.low < exact.low, "people differ by more than counting does"
    assert many.high > exact.high


def test_figures_by_person_add_up_recordings_and_draw_people() -> None:
    rows = [
        {"person": "a", "tp": 9, "fn": 1, "fp": 0, "minutes": 1.0},
        {"person": "a", "tp": 9, "fn": 1, "fp": 0, "minutes": 1.0},
        {"person": "b", "tp": 1, "fn": 9, "fp": 0, "minutes": 1.0},
    ]
    people = list(counts(rows).values())
    whole = pooled(people, f1)
    assert whole.value == pytest.approx(2 * 19 / (2 * 19 + 11))
    # Two people: each draw has a, b or both, so the interval spans them.
    assert whole.low == pytest.approx(2 * 1 / (2 * 1 + 9))
    assert whole.high == pytest.approx(2 * 18 / (2 * 18 + 2))
    assert lower_quartile(people, f1).value == pytest.approx(np.quantile([2 / 11, 36 / 38], 0.25))
    alone = pooled(people[:1], f1)
    assert (alone.low, alone.high) == (None, None)
