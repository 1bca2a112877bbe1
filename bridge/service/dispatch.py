"""Actions go to their outputs, or not: disarmed, armed, paused, dry run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from enum import StrEnum
from typing import Final, Literal

from bridge.outputs.protocol import Announcing, Armed, Output, Readiness
from bridge.rules.actions import (
    Action,
    Disarm,
    KeyDown,
    KeyUp,
    Mouse,
    Press,
    SetMode,
    SetPaused,
    TypeText,
)

Result = Literal["sent", "shown", "disarmed", "paused", "refused"]

# What moves the user's own computer; everything else is live without arming.
_HANDS: Final = (Press, KeyDown, KeyUp, TypeText, Mouse)


class State(StrEnum):
    DISARMED = "disarmed"
    ARMED = "armed"
    PAUSED = "paused"


class Dispatch:
    """Knows the outputs and the state; says of every action what became of it."""

    def __init__(self, outputs: Mapping[str, Output], *, armed: bool, dry_run: bool) -> None:
        self._outputs = dict(outputs)
        self._armed = armed
        self._disarmed_by = ""
        self._paused = False
        self._paused_by = ""
        self._off: dict[str, str] = {}  # keystroke outputs that could not be opened: why
        self._dry_run = dry_run
        self.results: Counter[tuple[str, Result]] = Counter()

    @property
    def state(self) -> State:
        if self._paused:
            return State.PAUSED
        return State.ARMED if self._armed else State.DISARMED

    @property
    def armed(self) -> bool:
        return self._armed

    @property
    def paused_by(self) -> str | None:
        """Who paused, in words; None while not paused."""
        return self._paused_by if self._paused else None

    @property
    def has_keys(self) -> bool:
        """Is there an output that is to be armed?"""
        return bool(self._off) or any(isinstance(output, Armed) for output in self._outputs.values())

    def unable(self) -> str:
        """Why no keystroke can be sent, armed or not; empty when one can."""
        if self._dry_run:
            return ""
        outputs = [output for output in self._outputs.values() if isinstance(output, Readiness)]
        whys = [*self._off.values(), *(output.unready() for output in outputs)]
        return "; ".join(dict.fromkeys(why for why in whys if why))

    def send(self, action: Action) -> Result:
        """Hand the action to its output. Never blocks, never raises."""
        result = self._result(action)
        self.results[action.output, result] += 1
        return result

    def _result(self, action: Action) -> Result:
        if isinstance(action.act, SetPaused):
            self.pause(action.act.paused, f"the rule {action.rule!r}")
            return "sent"
        if isinstance(action.act, Disarm):
            self.arm(False, f"the rule {action.rule!r}")
            return "sent"
        if isinstance(action.act, SetMode):
            return "sent"
        if self._dry_run:
            return "shown"
        if self._paused and not action.safe and not isinstance(action.act, KeyUp):
            return "paused"
        if not self._armed and isinstance(action.act, _HANDS):
            return "disarmed"
        output = self._outputs.get(action.output)
        return "sent" if output is not None and output.send(action) else "refused"

    @property
    def disarmed_by(self) -> str:
        """Who disarmed what was armed, in words; empty while armed, and where it never was."""
        return "" if self._armed else self._disarmed_by

    def arm(self, armed: bool, by: str = "") -> None:
        """Arm or disarm the hands on the computer; disarmed outputs let go of everything.

        ``by`` says who, in words.
        """
        if self._armed and not armed:
            self._disarmed_by = by
        self._armed = armed
        self.tell_state()

    def pause(self, paused: bool, by: str = "") -> None:
        """Paused: nothing is sent but safe values and releases, and everything held is let go.

        ``by`` says who paused, in words.
        """
        self._paused = paused
        self._paused_by = by
        if paused:
            self.release()
        self.tell_state()

    def tell_state(self) -> None:
        """Let the outputs know the state: when it changes, and once they are open."""
        if self._dry_run:
            return
        for output in self._outputs.values():
            if isinstance(output, Armed):
                if self._armed:
                    output.arm()
                else:
                    output.disarm()
            if isinstance(output, Announcing):
                output.announce(self.state.value)

    def release(self) -> None:
        for output in self._outputs.values():
            output.release()

    def drop(self, name: str, why: str = "it could not be opened") -> None:
        """The output could not be opened: what is meant for it is refused from now on."""
        output = self._outputs.pop(name, None)
        if isinstance(output, Armed):
            self._off[name] = why
