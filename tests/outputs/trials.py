"""Trials of the guard: something ends badly in the middle of a hold, and an X client watches the key.

Each trial returns the seconds from the fault to the release that the client saw. The limits are the
project's own: 0.3 s, and 1.5 s where a guard has to be started first.
"""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import termios
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import components

HOLDER = Path(__file__).with_name("holder.py")
QUICK_S = 0.3
RESTART_S = 1.5


class Holder:
    """The small daemon as a process."""

    def __init__(self, environment: Mapping[str, str], terminal: int | None = None) -> None:
        """In a session of its own, as a shell or a supervisor starts it; ``terminal`` becomes that of the session."""
        take = None if terminal is None else lambda: fcntl.ioctl(terminal, termios.TIOCSCTTY, 0)
        self.process = subprocess.Popen(
            [*components.python(), str(HOLDER)],
            env=dict(environment),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
            preexec_fn=take,
        )
        assert self.process.stdout is not None
        said = self.process.stdout.readline().split()
        if said[:1] != ["ready"]:
            components.end(self.process)
            raise AssertionError("the holder did not start")
        self.guard_pid = int(said[1])

    def say(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    @property
    def alive(self) -> bool:
        return self.process.poll() is None

    def close(self) -> None:
        components.end(self.process)


@dataclass
class Stage:
    """An X server with a client that watches."""

    server: components.XServer
    recorder: components.KeyRecorder

    def held_by(self, holder: Holder) -> None:
        """Have the space bar held down, and seen down."""
        self.recorder.seen.clear()
        holder.say("hold")
        self.recorder.wait("down", "space")
        time.sleep(0.05)  # the fault comes in the middle of the hold

    def released_after(self, fault_s: float, within_s: float) -> float:
        """The last release counts: a key that is held for long repeats, as releases and presses."""
        patience_s = max(5.0, within_s)
        components.until(lambda: not self.server.keys_down(), "the key to be up", patience_s)

        def last() -> components.Seen | None:
            told = [each for each in list(self.recorder.seen) if each.name == "space"]
            return told[-1] if told[-1].what == "up" else None

        up = components.until(last, "the client to see it", patience_s)
        return float(up.at - fault_s)


def _end_by(number: int) -> Callable[[Stage], float]:
    def trial(stage: Stage) -> float:
        holder = Holder(stage.server.environment)
        try:
            stage.held_by(holder)
            fault_s = time.monotonic()
            os.kill(holder.process.pid, number)
            return stage.released_after(fault_s, QUICK_S)
        finally:
            holder.close()

    return trial


def _exception(stage: Stage) -> float:
    holder = Holder(stage.server.environment)
    try:
        stage.held_by(holder)
        fault_s = time.monotonic()
        holder.say("fail")
        return stage.released_after(fault_s, QUICK_S)
    finally:
        holder.close()


def _stopped(stage: Stage) -> float:
    """SIGSTOP for a second; afterwards the daemon works as before."""
    holder = Holder(stage.server.environment)
    try:
        stage.held_by(holder)
        fault_s = time.monotonic()
        os.kill(holder.process.pid, signal.SIGSTOP)
        took_s = stage.released_after(fault_s, QUICK_S)
        time.sleep(max(0.0, fault_s + 1.0 - time.monotonic()))
        os.kill(holder.process.pid, signal.SIGCONT)
        holder.say("press")
        stage.recorder.wait("up", "b")
        assert stage.recorder.told().count(("down", "space")) == 1, "nothing is pressed again by itself"
        return took_s
    finally:
        os.kill(holder.process.pid, signal.SIGCONT)
        holder.close()


def _guard_killed(stage: Stage) -> float:
    holder = Holder(stage.server.environment)
    try:
        stage.held_by(holder)
        fault_s = time.monotonic()
        os.kill(holder.guard_pid, signal.SIGKILL)
        took_s = stage.released_after(fault_s, RESTART_S)
        assert holder.alive
        return took_s
    finally:
        holder.close()


def _group_killed(stage: Stage) -> float:
    """The daemon's whole process group at once, as a shell ends a job: the guard is not in it."""
    holder = Holder(stage.server.environment)
    try:
        stage.held_by(holder)
        fault_s = time.monotonic()
        os.killpg(holder.process.pid, signal.SIGKILL)
        return stage.released_after(fault_s, QUICK_S)
    finally:
        holder.close()


def _terminal_closed(stage: Stage) -> float:
    """The terminal that the daemon was started in is closed: the kernel sends SIGHUP to all that is in it."""
    ours, theirs = os.openpty()
    holder = Holder(stage.server.environment, theirs)
    os.close(theirs)
    try:
        stage.held_by(holder)
        fault_s = time.monotonic()
        os.close(ours)
        took_s = stage.released_after(fault_s, QUICK_S)
        components.until(lambda: not holder.alive, "the daemon to end with its terminal")
        return took_s
    finally:
        holder.close()


def _both_killed(stage: Stage) -> float:
    """Daemon and guard at once: nobody is left to let go, and the key stays down until the next start frees it."""
    holder = Holder(stage.server.environment)
    following = None
    try:
        stage.held_by(holder)
        os.kill(holder.guard_pid, signal.SIGKILL)
        os.kill(holder.process.pid, signal.SIGKILL)
        time.sleep(0.1)
        assert stage.server.keys_down(), "an X11 screen keeps it down: SAFETY.md says so"
        fault_s = time.monotonic()
        following = Holder(stage.server.environment)
        return stage.released_after(fault_s, RESTART_S)
    finally:
        holder.close()
        if following is not None:
            following.close()


TRIALS: dict[str, tuple[Callable[[Stage], float], float]] = {
    "daemon killed (SIGKILL)": (_end_by(signal.SIGKILL), QUICK_S),
    "daemon ended (SIGTERM)": (_end_by(signal.SIGTERM), QUICK_S),
    "daemon stopped for 1 s (SIGSTOP)": (_stopped, QUICK_S),
    "exception in the daemon": (_exception, QUICK_S),
    "guard killed (SIGKILL)": (_guard_killed, RESTART_S),
    "daemon's process group killed (SIGKILL)": (_group_killed, QUICK_S),
    "daemon's terminal closed (SIGHUP)": (_terminal_closed, QUICK_S),
    "daemon and guard killed, until the next start": (_both_killed, RESTART_S),
}


def screen_gone() -> float:
    """The X server is killed in the middle of a hold and another started on the same display.

    No key may be down on it, the daemon must live, and its keys must arrive again. Returns the seconds from
    the new server's start to the first key.
    """
    first = components.XServer.start()
    second = None
    holder = None
    try:
        holder = Holder(first.environment)
        with components.key_recorder(first) as recorder:
            Stage(first, recorder).held_by(holder)
            first.stop(signal.SIGKILL)
        second = components.XServer.start(first.display)
        started_s = time.monotonic()
        with components.key_recorder(second) as recorder:

            def pressed() -> bool:
                assert second is not None
                assert holder is not None
                assert second.keys_down() == [], "a key is down on the new server"
                assert holder.alive, "the daemon has gone with the server"
                holder.say("press")
                time.sleep(0.05)
                return ("up", "b") in recorder.told()

            components.until(pressed, "keys on the new server")
            assert ("down", "space") not in recorder.told()
        return time.monotonic() - started_s
    finally:
        if holder is not None:
            holder.close()
        first.stop()
        if second is not None:
            second.stop()
