"""Runs in the emulated machine: types on the virtual input device and says what its readers get.

Each line for the test begins with ``@@``; the rest is JSON. Standard library and the project only.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import evdev  # noqa: F401  (read once, so that each process to come finds it in memory)
from input_device import EV_KEY, InputDevice, InputEvent, find

import bridge.outputs.guard
import bridge.outputs.keys_uinput
import bridge.outputs.keystrokes
from bridge.outputs.key_names import US_CHARACTERS
from bridge.rules.keys import NAMED_KEYS

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests/outputs"))
import holder  # noqa: E402

bridge.outputs.keystrokes._READY_S = 120.0  # ten times what a guard is given on a computer
NAME = "biosignal-bridge"
SPACE, B = 57, 48  # KEY_SPACE and KEY_B of linux/input-event-codes.h
PATIENCE_S = 60.0  # an emulated processor takes its time


def say(trial: str, **found: Any) -> None:
    print("@@", json.dumps({"trial": trial, **found}), flush=True)


class Typist:
    """The small daemon of the other trials, forked from here, as the leader of a session of its own.

    A fresh interpreter would take an emulated processor ten seconds each time; the guard is one.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._before = set(find(NAME))
        theirs_in, self._commands = os.pipe()
        self._answers, theirs_out = os.pipe()
        errors, theirs_error = os.pipe()
        self.pid = os.fork()
        if self.pid == 0:
            for ours in (self._commands, self._answers, errors):
                os.close(ours)
            _be_a_daemon(theirs_in, theirs_out, theirs_error, environment)
        for theirs in (theirs_in, theirs_out, theirs_error):
            os.close(theirs)
        self.said: list[str] = []
        threading.Thread(target=self._listen, args=(errors,), daemon=True).start()

    def _listen(self, descriptor: int) -> None:
        with os.fdopen(descriptor) as lines:
            self.said.extend(iter(lines.readline, ""))

    def ready(self) -> int:
        """Process id of the guard."""
        said = os.read(self._answers, 100).decode().split()
        if said[:1] != ["ready"]:
            raise RuntimeError(f"the typist did not start: {said} {self.said}")
        return int(said[1])

    def device(self, within_s: float = PATIENCE_S) -> InputDevice:
        """The device that its guard has made."""
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            for number, path in find(NAME).items():
                if number not in self._before:
                    self._before.add(number)
                    return InputDevice(path)
            time.sleep(0.01)
        raise RuntimeError(f"no input device came: {self.said}")

    def do(self, line: str) -> None:
        os.write(self._commands, line.encode() + b"\n")

    def kill(self, number: int = signal.SIGKILL) -> None:
        os.kill(self.pid, number)

    def close(self) -> None:
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self._commands)
        os.close(self._answers)


def _be_a_daemon(*streams: Any) -> None:
    """In the forked process, with descriptors for its standard streams and its environment; does not return."""
    *descriptors, environment = streams
    try:
        os.setsid()
        for number, descriptor in enumerate(descriptors):
            os.dup2(descriptor, number)
            os.close(descriptor)
        os.environ.update(environment)
        sys.stdin, sys.stdout, sys.stderr = os.fdopen(0), os.fdopen(1, "w"), os.fdopen(2, "w")
        asyncio.run(holder.main())
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(0)


@contextmanager
def typist(**environment: str) -> Iterator[tuple[Typist, InputDevice, int]]:
    at_work = Typist(environment)
    try:
        guard = at_work.ready()
        device = at_work.device()
        try:
            yield at_work, device, guard
        finally:
            device.close()
    finally:
        at_work.close()


def is_key(code: int, value: int) -> Callable[[list[InputEvent]], bool]:
    return lambda events: any((e.kind, e.code, e.value) == (EV_KEY, code, value) for e in events)


def all_up(events: list[InputEvent]) -> bool:
    down = {event.code for event in events if event.kind == EV_KEY and event.value}
    up = {event.code for event in events if event.kind == EV_KEY and not event.value}
    return bool(down) and down == up


def plain(device: InputDevice) -> list[list[int]]:
    return [[event.kind, event.code, event.value] for event in device.events]


def every_key() -> None:
    """Each key that a rule can name, by itself."""
    with typist(HOLDER_PER_SECOND="1000") as (at_work, device, _):
        for key in (*NAMED_KEYS, *US_CHARACTERS):
            device.events.clear()
            at_work.do(f"press {key}")
            device.wait(all_up, 2.0)
            say("key", key=key, events=plain(device), down=device.down())
        for line, enough in (
            ("press Control Shift a", 6),
            ("type Hi there, 2!", 2 * (12 + 2)),
            ("mouse 0 0 left 1 0 0", 2),
            ("mouse 0 0 middle 1 0 0", 2),
            ("mouse 0 0 right 2 0 0", 4),
            ("mouse 5 -3 - 0 0 0", 2),
            ("mouse 0 0 - 0 -1 2", 2),
        ):
            device.events.clear()
            at_work.do(line)
            device.wait(lambda events, enough=enough: len(events) >= enough, PATIENCE_S)  # type: ignore[misc]
            say("line", line=line, events=plain(device), down=device.down())
        say("said", lines=at_work.said)


def fault(
    name: str, act: Callable[[Typist, int], None], after: Callable[[Typist], Any] | None = None
) -> None:
    """Something ends badly in the middle of a hold."""
    with typist() as (at_work, device, guard):
        at_work.do("hold")
        held = device.wait(is_key(SPACE, 1), PATIENCE_S)
        time.sleep(0.1)
        held = held and device.down() == [SPACE]
        fault_s = time.monotonic()
        act(at_work, guard)
        came_up = device.wait(is_key(SPACE, 0), PATIENCE_S)
        ups = [event.at_s for event in device.events if (event.code, event.value) == (SPACE, 0)]
        found: dict[str, Any] = {"held": held, "up": came_up, "down": device.down()}
        found["after_s"] = ups[0] - fault_s if ups else None
        if after is not None:
            found["afterwards"] = after(at_work)
        say("fault", name=name, **found)


def kill_both(at_work: Typist, guard: int) -> None:
    os.kill(guard, signal.SIGKILL)
    at_work.kill()


def types_again(at_work: Typist) -> bool:
    """The daemon has started another guard, whose device types."""
    device = at_work.device()
    try:
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:  # until the new guard is armed
            at_work.do("press")
            if device.wait(is_key(B, 0), 0.5):
                return device.down() == []
        return False
    finally:
        device.close()


def faults() -> None:
    fault("daemon killed", lambda at_work, _: at_work.kill())
    fault("daemon stopped", lambda at_work, _: at_work.kill(signal.SIGSTOP))
    fault("guard killed", lambda _, guard: os.kill(guard, signal.SIGKILL), types_again)
    fault("daemon's process group killed", lambda at_work, _: os.killpg(at_work.pid, signal.SIGKILL))
    fault("daemon and guard killed", kill_both)


def other_layout() -> None:
    """On another layout a character's key is not known: it is refused and said; named keys work."""
    with typist(XKB_DEFAULT_LAYOUT="de") as (at_work, device, _):
        at_work.do("press z")
        at_work.do("press Enter")
        device.wait(all_up, PATIENCE_S)
        end_s = time.monotonic() + PATIENCE_S
        while not at_work.said and time.monotonic() < end_s:
            time.sleep(0.01)
        say("layout", layout="de", events=plain(device), lines=at_work.said)


def check_keys() -> None:
    """The command that types nothing, in this machine's session without a screen."""
    before = set(find(NAME))
    done = subprocess.run(
        [sys.executable, "-P", "-m", "bridge", "check", "--keys", "--json"],
        env={**os.environ, "XKB_DEFAULT_LAYOUT": "de"},
        capture_output=True,
        text=True,
    )
    say("check", status=done.returncode, report=json.loads(done.stdout), left=len(set(find(NAME)) - before))


def main() -> None:
    say("started", uptime_s=time.monotonic())
    every_key()
    faults()
    other_layout()
    check_keys()
    say("done", uptime_s=time.monotonic())


if __name__ == "__main__":
    main()
