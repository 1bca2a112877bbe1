"""The keystroke output: the daemon's side of the guard.

The guard process presses the keys; this side starts it, pulses it from the daemon's event loop (so that a
hung daemon stops pulsing), starts another when it dies, and never waits for it.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress

from bridge import host_clock
from bridge.outputs import allow_list
from bridge.outputs.guard_lines import (
    FARTHEST,
    LONGEST_TEXT,
    MOST_CLICKS,
    MOST_NOTCHES,
    PULSE_EVERY_S,
    Arm,
    Command,
    Free,
    HoldKeys,
    LetGo,
    Lines,
    Point,
    PressKeys,
    Pulse,
    Release,
    Said,
    Write,
    decode_said,
    encode,
)
from bridge.outputs.limits import KEYSTROKES_PER_S, LONGEST_HOLD_S, RateLimit
from bridge.outputs.protocol import OutputCounts, OutputError
from bridge.rules.actions import Action, KeyDown, KeyUp, Mouse, Press, TypeText

log = logging.getLogger("bridge.keystrokes")

_READY_S = 10.0  # a guard that has said nothing for this long at start will not
_ANSWER_S = 0.6  # a guard that answers no pulse for this long is taken for dead
_END_S = 1.0
_MOST_WAITING = 32_768  # bytes that may wait in the pipe before commands are refused
_RESTART_S = (0.0, 0.1, 0.3, 1.0, 2.0)
_NO_GUARD = "the keystroke guard is not there"
_WARN_EVERY_S = 5.0  # the same refusal is told this often at most


class Keystrokes:
    """Keys and mouse of this computer. Starts disarmed: ``arm`` before anything is sent.

    ``total`` is a limit shared with other keystroke outputs, ``back_end`` names a way of typing.
    """

    def __init__(
        self,
        name: str,
        *,
        per_second: float = KEYSTROKES_PER_S,
        total: RateLimit | None = None,
        longest_hold_s: float = LONGEST_HOLD_S,
        back_end: str = "auto",
        pause_key: str = "",
    ) -> None:
        self.name = name
        self.counts = OutputCounts()
        self._per_second = per_second
        self._limit = RateLimit(per_second)
        self._total = total
        self._longest_hold_s = longest_hold_s
        self._back_end = back_end
        self._pause_key = pause_key
        self._on_pause_key: Callable[[], None] | None = None
        self._allowed = allow_list.AllowLists()
        self._armed = False
        self._closing = False
        self._process: asyncio.subprocess.Process | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._listener: asyncio.Task[None] | None = None
        self._ready: asyncio.Future[Said] | None = None
        self._at_work = False  # the guard has said its first word, and has been told how things stand
        self._answered_s = 0.0
        self._numbers = itertools.count(1)
        self._held: dict[tuple[str, ...], None] = {}  # as far as this side knows
        self._restarts = 0
        self._unready = ""
        self._warned: dict[str, float] = {}

    @property
    def armed(self) -> bool:
        return self._armed

    @property
    def guard_pid(self) -> int | None:
        """Process id of the guard, None while there is none."""
        return None if self._process is None else self._process.pid

    @property
    def tasks(self) -> Sequence[asyncio.Task[None]]:
        return tuple(self._tasks)

    def unready(self) -> str:
        """Why no key can be pressed now; empty when one can."""
        if self._process is None or self._process.returncode is not None or self._closing:
            return self._unready or _NO_GUARD
        return self._unready if self._at_work else _NO_GUARD

    async def open(self) -> None:
        """Start the guard. Raises OutputError when there is nothing to type on."""
        try:
            self._allowed = allow_list.load()
        except allow_list.AllowListError as error:
            raise OutputError(f"no key is sent, because {error}") from error
        self._closing = False
        said = await self._start()
        if said.what != "ready":
            await self._end_process()
            raise OutputError(said.why or "the keystroke guard ended as it started")
        self._at_work = True
        self.pulse()
        self._tasks = [asyncio.create_task(self._pulsing()), asyncio.create_task(self._watching())]
        log.info("the keystroke guard is at work (%s, process %d)", said.why, said.id)

    async def _start(self) -> Said:
        """Start a guard and wait for its first word."""
        command = [sys.executable, "-P", "-m", "bridge.outputs.guard", "--back-end", self._back_end]
        command += ["--pause-key", self._pause_key] if self._pause_key else []
        command += ["--per-second", str(self._per_second), "--longest-hold", str(self._longest_hold_s)]
        try:
            # A session of its own: a hang-up or Ctrl-C of the daemon's terminal must not end it first.
            self._process = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                start_new_session=True,
            )
        except OSError as error:
            return Said("failed", why=f"the keystroke guard cannot be started: {error}")
        self._ready = asyncio.get_running_loop().create_future()
        self._listener = asyncio.create_task(self._listening(self._process))
        try:
            return await asyncio.wait_for(asyncio.shield(self._ready), _READY_S)
        except TimeoutError:
            return Said("failed", why=f"the keystroke guard said nothing for {_READY_S:g} s")
        finally:
            self._answered_s = time.monotonic()

    async def _listening(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        lines = Lines()
        while data := await process.stdout.read(65536):
            for line in lines.feed(data):
                said = decode_said(line)
                if said is not None:
                    self._hear(said)
        if self._ready is not None and not self._ready.done():
            self._ready.set_result(Said("failed", why="the keystroke guard ended as it started"))

    def _hear(self, said: Said) -> None:
        self._answered_s = time.monotonic()
        match said.what:
            case "ready" | "failed":
                self._unready = "" if said.what == "ready" else said.why
                if self._ready is not None and not self._ready.done():
                    self._ready.set_result(said)
            case "alive":
                self._restarts = 0
            case "refused":
                self.counts.sent -= 1 if said.id else 0
                self._refuse(said.why)
            case "released":
                for keys in list(self._held):
                    if "+".join(keys) in said.keys:
                        del self._held[keys]
                log.info("let go of %s: %s", ", ".join(said.keys), said.why)
            case "gone":
                self._held.clear()
                self._unready = f"the screen session has ended ({said.why})"
                self.counts.problem = self._unready
                log.warning("%s; keystrokes are refused until there is one again", self.counts.problem)
            case "pause-key":
                if self._on_pause_key is not None:
                    self._on_pause_key()
            case "unwatched":
                log.info("the pause key %s is not watched: %s", self._pause_key, said.why)
            case "back":
                self.counts.problem = self._unready = ""
                log.info("there is a screen to type on again")

    def when_pause_key(self, act: Callable[[], None]) -> None:
        self._on_pause_key = act

    def arm(self) -> None:
        self._armed = True
        self._say(Arm(True))

    def disarm(self) -> None:
        """Let go of everything and refuse until armed again."""
        self._armed = False
        self._say(Arm(False))
        self._held.clear()

    def send(self, action: Action) -> bool:
        """Hand the action to the guard. False when it was refused here; the guard may refuse it still."""
        act = action.act
        if isinstance(act, KeyUp):
            self._held.pop(act.keys, None)
            return self._say(LetGo(act.keys))
        command, presses, listed = self._command(action)
        if command is None:
            return self._refuse(listed)
        if not self._armed:
            return self._refuse("keystrokes are disarmed")
        if self._process is None or not self._at_work or self._waiting() > _MOST_WAITING:
            return self._refuse(_NO_GUARD)
        if listed:
            return self._refuse(listed)
        now_s = time.monotonic()
        if presses and not self._limit.admit(now_s, presses):
            return self._refuse(f"more than {self._limit.per_second:g} presses a second")
        if presses and self._total is not None and not self._total.admit(now_s, presses):
            return self._refuse(f"more than {self._total.per_second:g} presses a second in total")
        if isinstance(act, KeyDown):
            self._held[act.keys] = None
        if not self._say(command):
            return self._refuse(_NO_GUARD)
        self.counts.sent += 1
        return True

    def _command(self, action: Action) -> tuple[Command | None, int, str]:
        """The guard's command, how many presses it costs, and why the allow lists refuse it."""
        act, number, at_s, window = action.act, next(self._numbers), host_clock.now_s(), action.window
        match act:
            case Press():
                return PressKeys(number, at_s, act.keys, window), 1, self._allowed.refusal(act.keys)
            case KeyDown():
                held = HoldKeys(number, at_s, act.keys, max(0.0, act.limit_s), window)
                return held, 1, self._allowed.refusal(act.keys)
            case TypeText():
                if len(act.text) > LONGEST_TEXT:
                    return None, 0, f"the text is longer than {LONGEST_TEXT} characters"
                written = Write(number, at_s, act.text, window)
                return written, max(1, len(act.text)), self._allowed.text_refusal(act.text)
            case Mouse():
                point = Point(
                    number,
                    at_s,
                    _within(act.dx, FARTHEST),
                    _within(act.dy, FARTHEST),
                    act.button,
                    max(0, _within(act.clicks, MOST_CLICKS)),
                    _within(act.scroll_x, MOST_NOTCHES),
                    _within(act.scroll_y, MOST_NOTCHES),
                    window,
                )
                presses = point.clicks + abs(point.scroll_x) + abs(point.scroll_y)
                return point, presses, self._allowed.mouse_refusal()
        return None, 0, f"the keystroke output cannot do this: {act.to_json()}"

    def release(self) -> None:
        """Let go of everything that is down."""
        self._say(Release())
        self._held.clear()

    def pulse(self) -> None:
        """Tell the guard that the daemon's event loop turns. Sent by a task of this output."""
        self._say(Pulse(next(self._numbers), host_clock.now_s()))

    def _say(self, command: Command) -> bool:
        if self._process is None or self._process.stdin is None or self._process.returncode is not None:
            return False
        if self._process.stdin.is_closing():
            return False
        # Goes out at once while the pipe takes it; else it waits in memory, bounded by `_waiting`.
        self._process.stdin.write(encode(command))
        return True

    def _waiting(self) -> int:
        if self._process is None or self._process.stdin is None:
            return 0
        return self._process.stdin.transport.get_write_buffer_size()

    def _refuse(self, why: str) -> bool:
        self.counts.refused += 1
        self.counts.problem = why
        now_s = time.monotonic()
        if now_s - self._warned.get(why, -_WARN_EVERY_S) >= _WARN_EVERY_S:
            if len(self._warned) > 100:
                self._warned.clear()
            self._warned[why] = now_s
            log.warning("%s: refused, because %s", self.name, why)
        return False

    async def _pulsing(self) -> None:
        while True:
            if self._waiting() <= _MOST_WAITING:
                self.pulse()
            await asyncio.sleep(PULSE_EVERY_S)

    async def _watching(self) -> None:
        """Start another guard when this one has died or answers no more."""
        while True:
            await self._until_dead()
            if self._closing:
                return
            await self._end_process()
            log.error("the keystroke guard is gone; starting another, which first lets go of everything")
            delay_s = _RESTART_S[min(self._restarts, len(_RESTART_S) - 1)]
            self._restarts += 1
            await asyncio.sleep(delay_s)
            held = tuple(dict.fromkeys(key for keys in self._held for key in keys))
            said = await self._start()
            if said.what != "ready":
                self.counts.problem = said.why
                log.error("the keystroke guard did not start: %s", said.why)
                continue
            if held:
                self._say(Free(held))
                self._held.clear()
            self._say(Arm(self._armed))
            self._at_work = True
            self.pulse()

    async def _until_dead(self) -> None:
        """Until the guard's stdout ends, or it answers no pulse."""
        assert self._listener is not None
        while not self._listener.done():
            if time.monotonic() - self._answered_s > _ANSWER_S:
                # Or was the daemon itself stopped? Only a pulse that is sent now tells.
                asked_s = time.monotonic()
                self.pulse()
                await asyncio.wait((self._listener,), timeout=PULSE_EVERY_S * 4)
                if self._answered_s < asked_s:
                    return
            await asyncio.wait((self._listener,), timeout=PULSE_EVERY_S * 2)

    async def _end_process(self) -> None:
        process, self._process = self._process, None
        self._at_work = False
        if process is None:
            return
        if process.stdin is not None:
            process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), _END_S if self._closing else 0.05)
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
        if self._listener is not None:
            await asyncio.wait((self._listener,), timeout=_END_S)
            self._listener.cancel()

    async def close(self) -> None:
        """Let go of everything and end the guard."""
        self._closing = True
        self._armed = False
        self.release()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []
        await self._end_process()


def _within(value: int, most: int) -> int:
    return max(-most, min(most, value))
