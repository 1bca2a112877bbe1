"""The wall clock is set forward and back while the daemon runs: nothing hangs, fires, or gets a wrong time.

A daylight saving change that was forgotten, a battery that ran empty, a time server after a long time offline.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from tests import loss_rig
from tests.components import Got, stepped_clock
from tests.loss_rig import QUICK_S, Rig, running_rig

STEPS_S = (3600, -86_400)
HOLD_S = 3.0
RULES = (
    loss_rig.RULES.replace("{{hold: Space}}", "{{hold: {{keys: Space, limit: 3 s}}}}")
    + """
  - name: Tell of the arm
    when: {{event: contraction}}
    then: {{publish: {{output: lamp, topic: lab/arm}}}}
"""
)


@pytest.fixture(scope="module")
def clock(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("clock") / "offset"


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory, clock: Path) -> Iterator[Rig]:
    folder = tmp_path_factory.mktemp("rig")
    with running_rig(folder, RULES, topic="lab/arm", environment=stepped_clock(clock)) as rig:
        yield rig


def told(got: Got) -> float:
    """When a message's event began, as the message says (s since 1970)."""
    return datetime.fromisoformat(json.loads(got.payload)["time"]).timestamp()


@pytest.mark.parametrize("step_s", STEPS_S)
def test_a_hold_ends_in_time_and_nothing_fires(step_s: int, rig: Rig, clock: Path) -> None:
    rig.rest()
    rig.hold()
    down_s = rig.seen.seen[-1].at
    clock.write_text(f"{step_s:+d}\n")
    took_s = rig.up_after(down_s, 10.0)
    assert took_s == pytest.approx(HOLD_S, abs=QUICK_S)
    rig.rest()
    lines, messages, keys = len(rig.lines()), len(rig.heard.got), len(rig.seen.seen)
    for offset_s in (-step_s, step_s):  # at rest, both ways
        clock.write_text(f"{offset_s:+d}\n")
        time.sleep(1.5)
    assert rig.lines()[lines:] == []
    assert (rig.heard.got[messages:], rig.seen.seen[keys:]) == ([], [])


@pytest.mark.parametrize("step_s", STEPS_S)
def test_an_event_is_told_with_the_time_that_it_is_now(step_s: int, rig: Rig, clock: Path) -> None:
    rig.rest()
    clock.write_text(f"{step_s:+d}\n")
    messages, lines = len(rig.heard.got), len(rig.lines())
    from_s = time.time() + step_s
    for _ in range(2):
        rig.hold()
        rig.rest()
    told_s = [told(got) for got in rig.heard.got[messages:]]
    assert len(told_s) == 2
    assert all(from_s - 0.1 <= each <= time.time() + step_s for each in told_s), (from_s, told_s)
    decided = [float(str(line["decided"])) for line in rig.lines()[lines:] if "decided" in line]
    assert decided == sorted(decided)
    # A busy computer may hold the board up for a moment; the step itself is no silence.
    silences_s = [float(each) for each in re.findall(r"no samples for ([\d.]+) s", rig.log())]
    assert all(each < 2 for each in silences_s), silences_s
    assert "late" not in rig.log()
    assert rig.daemon.poll() is None
