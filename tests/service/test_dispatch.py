"""What becomes of an action in each state."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from bridge.outputs.protocol import OutputCounts
from bridge.rules.actions import (
    Act,
    Action,
    Disarm,
    KeyDown,
    KeyUp,
    Press,
    Publish,
    SendOsc,
    SetPaused,
    TypeText,
)
from bridge.service.dispatch import Dispatch, State

HANDS: list[Act] = [Press(("a",)), KeyDown(("a",), 5.0), TypeText("a")]
NETWORK: list[Act] = [SendOsc("/x", (1.0,)), Publish("x", "1")]


@dataclass
class Recording:
    """An output that notes what it is told."""

    name: str = "out"
    accepts: bool = True
    counts: OutputCounts = field(default_factory=OutputCounts)
    told: list[Act] = field(default_factory=list)
    released: int = 0
    announced: list[str] = field(default_factory=list)

    def arm(self) -> None: ...

    def disarm(self) -> None:
        self.released += 1

    def announce(self, state: str) -> None:
        self.announced.append(state)

    async def open(self) -> None: ...

    def send(self, action: Action) -> bool:
        self.told.append(action.act)
        return self.accepts

    def release(self) -> None:
        self.released += 1

    async def close(self) -> None: ...


def action(act: Act, *, safe: bool = False) -> Action:
    return Action(1.0, "rule", "out", act, safe=safe)


@pytest.mark.parametrize("act", HANDS)
def test_hands_stay_still_until_armed(act: Act) -> None:
    output = Recording()
    dispatch = Dispatch({"out": output}, armed=False, dry_run=False)
    assert dispatch.state is State.DISARMED
    assert dispatch.send(action(act)) == "disarmed"
    assert output.told == []
    dispatch.arm(True)
    assert dispatch.send(action(act)) == "sent"
    assert output.told == [act]


@pytest.mark.parametrize("act", NETWORK)
def test_the_network_is_live_without_arming(act: Act) -> None:
    output = Recording()
    assert Dispatch({"out": output}, armed=False, dry_run=False).send(action(act)) == "sent"
    assert output.told == [act]


@pytest.mark.parametrize("act", [*HANDS, *NETWORK, KeyUp(("a",))])
def test_a_dry_run_sends_nothing(act: Act) -> None:
    output = Recording()
    assert Dispatch({"out": output}, armed=True, dry_run=True).send(action(act)) == "shown"
    assert output.told == []


@pytest.mark.parametrize("act", [*HANDS, *NETWORK])
def test_paused_sends_only_safe_values(act: Act) -> None:
    output = Recording()
    dispatch = Dispatch({"out": output}, armed=True, dry_run=False)
    dispatch.pause(True)
    assert dispatch.state is State.PAUSED
    assert output.released == 1
    assert dispatch.send(action(act)) == "paused"
    assert output.told == []
    assert dispatch.send(action(act, safe=True)) == "sent"
    dispatch.pause(False)
    assert dispatch.state is State.ARMED
    assert dispatch.send(action(act)) == "sent"


def test_releases_pass_while_paused() -> None:
    output = Recording()
    dispatch = Dispatch({"out": output}, armed=True, dry_run=False)
    dispatch.pause(True)
    assert dispatch.send(action(KeyUp(("a",)))) == "sent"


def test_disarming_lets_go() -> None:
    output = Recording()
    dispatch = Dispatch({"out": output}, armed=True, dry_run=False)
    dispatch.arm(False)
    assert output.released == 1
    assert output.announced == ["disarmed"]


@pytest.mark.parametrize("dry_run", [False, True])
def test_a_rule_pauses_and_disarms_even_when_nothing_else_can_be_sent(dry_run: bool) -> None:
    output = Recording(accepts=False)
    dispatch = Dispatch({"out": output}, armed=True, dry_run=dry_run)
    dispatch.drop("out")
    assert dispatch.send(Action(1.0, "Stop", "rules", SetPaused(True))) == "sent"
    assert dispatch.state is State.PAUSED
    assert dispatch.paused_by == "the rule 'Stop'"
    dispatch.send(Action(2.0, "Go", "rules", SetPaused(False)))
    assert dispatch.send(Action(3.0, "Off", "rules", Disarm())) == "sent"
    assert dispatch.state is State.DISARMED
    assert dispatch.disarmed_by == "the rule 'Off'"


def test_what_an_output_refuses_is_counted() -> None:
    dispatch = Dispatch({"out": Recording(accepts=False)}, armed=True, dry_run=False)
    assert dispatch.send(action(Press(("a",)))) == "refused"
    dispatch.drop("out")
    assert dispatch.send(action(Press(("a",)))) == "refused"
    assert dispatch.results["out", "refused"] == 2
