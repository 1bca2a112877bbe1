"""Events joined to the actions they caused."""

from __future__ import annotations

import pytest

from bridge.monitor.journal import Journal, in_words
from bridge.rules.actions import (
    Act,
    Action,
    KeyDown,
    KeyUp,
    Mouse,
    Note,
    Press,
    Publish,
    SendBundle,
    SendOsc,
    SetMode,
    SetPaused,
    TypeText,
)
from bridge.signals.types import Event, Level


def blink(at_s: float) -> Event:
    return Event("blink", "instant", at_s - 0.1, at_s, "forehead", {"deliberate": 1.0}, detector="blink")


def test_an_action_names_the_event_that_caused_it() -> None:
    journal = Journal()
    first, second = blink(1.0), blink(1.5)
    journal.add([first], [])
    journal.add([second], [(Action(1.5, "Turn", "keys", Press(("PageDown",)), second), "sent")])
    journal.add([], [(Action(2.0, "Later", "keys", Press(("a",)), first), "disarmed")])
    entries = journal.since(0)
    assert [entry["is"] for entry in entries] == ["event", "event", "action", "action"]
    assert entries[2]["cause"] == entries[1]["id"]
    assert entries[3]["cause"] == entries[0]["id"]
    assert entries[3]["result"] == "disarmed"
    assert journal.fired == {"Turn": 1, "Later": 1}


def test_since_gives_what_is_new_and_forgets_the_oldest() -> None:
    journal = Journal()
    for k in range(5000):
        journal.add([blink(float(k))], [])
    assert journal.since(4998) == [journal.entries[-2], journal.entries[-1]]
    assert journal.since(5000) == []
    kept = journal.since(0)
    assert kept[0]["id"] == 5000 - len(journal.entries) + 1
    seen = 0
    last = 0
    while page := journal.since(last):
        last = page[-1]["id"]
        seen += len(page)
    assert seen == len(journal.entries)


def test_a_level_rule_does_not_flood_the_page() -> None:
    journal = Journal()
    for k in range(1000):
        level = Level("contraction-level", k * 0.01, 0.5, "forearm", "contraction")
        journal.add([level], [(Action(k * 0.01, "Squeeze", "osc", SendOsc("/s", (0.5,)), level), "sent")])
    assert len(journal.entries) == pytest.approx(20, abs=1)
    assert journal.fired["Squeeze"] == 1000
    assert next(iter(journal.levels.values())).time == pytest.approx(9.99)


@pytest.mark.parametrize(
    ("act", "said"),
    [
        (Press(("Control", "c")), "press Control+c"),
        (KeyDown(("Space",), 5.0), "hold Space"),
        (KeyUp(("Space",)), "let go of Space"),
        (TypeText("hello"), "type “hello”"),
        (SendOsc("/steer", (-1.0, 2, "x")), "/steer -1 2 x"),
        (Publish("lab/heart", "66"), "lab/heart: 66"),
        (Publish("lab/heart", None), "lab/heart"),
        (Mouse(dx=3, dy=-2), "pointer move: x: 3, y: -2"),
        (SendBundle((SendOsc("/a", ()), SendOsc("/b", (1,)))), "/a + /b 1"),
        (Note("hello"), "note “hello”"),
        (SetMode("typing"), "switch to mode typing"),
        (SetPaused(True), "pause"),
        (TypeText("x" * 500), "type “" + "x" * 59 + "…”"),
    ],
)
def test_actions_in_words(act: Act, said: str) -> None:
    assert in_words(act).replace("{", "").replace("}", "") == said
