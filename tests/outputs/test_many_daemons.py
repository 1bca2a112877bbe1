"""Many daemons on two bridged brokers, as the guide has it: nothing collides, is lost or is worked on twice.

Topics, shared subscriptions and the uniqueness of an event's source and id: MQTT 5.0, sections 4.7 and 4.8.2, and
CloudEvents 1.0 (from memory). The brokers are real ones.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from bridge.outputs.mqtt import daemon_id
from tests.bench.many_daemons import run


def test_every_event_comes_once_to_the_group_and_over_the_bridge(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    told = asyncio.run(run(40, tmp_path))
    assert told.online == told.offline == {"near": 40, "far": 40}
    # Persons' hearts beat in the second half of the twenty seconds at the least.
    assert told.sent >= 40 * 8
    assert (told.twice, told.lost_in_group, told.lost_over_bridge) == (0, 0, 0)
    assert told.sources == 40
    # Both of the group had work to do.
    assert sum(told.shared) == told.sent
    assert min(told.shared) >= told.sent / 5
    # An orderly end is not complained of.
    assert "trying again" not in caplog.text


def test_a_daemons_id_is_its_own_and_stays(tmp_path: Path) -> None:
    files = [tmp_path / f"{number}.yaml" for number in range(50)]
    made = {daemon_id(output, file) for file in (*files, None) for output in ("lamp", "town")}
    assert len(made) == 102
    assert all(len(one) == 8 and int(one, 16) >= 0 for one in made)
    assert daemon_id("lamp", files[3]) == daemon_id("lamp", tmp_path / "." / "3.yaml")
