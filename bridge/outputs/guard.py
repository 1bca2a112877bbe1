"""The guard: a small process that presses keys for the daemon and lets go of them whatever becomes of it.

Started as ``python -P -m bridge.outputs.guard``; takes commands on stdin (see ``guard_lines``) and tells on
stdout. When stdin ends, it releases everything and ends too. It loads neither numpy nor scipy.
"""

from __future__ import annotations

import argparse
import os
import queue
import selectors
import signal
import socket
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress

from bridge import host_clock
from bridge.outputs import allow_list
from bridge.outputs.guard_core import Guard
from bridge.outputs.guard_lines import LineError, Lines, Pulse, Said, decode
from bridge.outputs.keyboard import Keyboard, KeyboardError, KeyboardGoneError
from bridge.outputs.keyboard_choice import open_keyboard
from bridge.outputs.limits import KEYSTROKES_PER_S, LONGEST_HOLD_S

_SCREEN_EVERY_S = 0.5  # how often a screen that has gone is looked for
_READ = 65536
_MOST_TO_SAY = 1000  # messages that may wait for the daemon to take them
_LAST_WORDS_S = 0.2


class Mouth:
    """Tells the daemon, and drops what the daemon does not take: the guard must never wait for it."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._waiting: queue.Queue[bytes] | None = None
        if sys.platform != "win32":
            os.set_blocking(descriptor, False)
        else:
            # A pipe there blocks who writes to it, so a thread does.
            self._waiting = queue.Queue(_MOST_TO_SAY)
            threading.Thread(target=self._write, args=(self._waiting,), daemon=True).start()

    def say(self, *told: Said) -> None:
        for each in told:
            if self._waiting is not None:
                with suppress(queue.Full):
                    self._waiting.put_nowait(each.encode())
                continue
            with suppress(OSError):
                os.write(self._descriptor, each.encode())

    def finish(self) -> None:
        """Let out what is still to be told, but do not wait long for a daemon that does not take it."""
        until_s = time.monotonic() + _LAST_WORDS_S
        while self._waiting is not None and self._waiting.unfinished_tasks and time.monotonic() < until_s:
            time.sleep(0.005)

    def _write(self, waiting: queue.Queue[bytes]) -> None:
        while True:
            data = waiting.get()
            with suppress(OSError):
                os.write(self._descriptor, data)
            waiting.task_done()


class Stdin:
    """The daemon's pipe as something a selector takes: on Windows a socket that a thread fills from it."""

    def __init__(
        self, descriptor: int, *, descriptor_can_be_selected: bool = sys.platform != "win32"
    ) -> None:
        self._descriptor = descriptor
        self._near: socket.socket | None = None
        if not descriptor_can_be_selected:
            self._near, far = socket.socketpair()
            threading.Thread(target=self._carry, args=(far,), daemon=True).start()

    def _carry(self, far: socket.socket) -> None:
        with far, suppress(OSError):
            while data := os.read(self._descriptor, _READ):
                far.sendall(data)

    def fileno(self) -> int:
        return self._descriptor if self._near is None else self._near.fileno()

    def read(self) -> bytes:
        """What is there; nothing means that the daemon has gone."""
        try:
            return os.read(self._descriptor, _READ) if self._near is None else self._near.recv(_READ)
        except OSError:
            return b""


class Loop:
    """Waits for commands, for the screen and for the next deadline."""

    def __init__(self, guard: Guard, keyboard: Keyboard, mouth: Mouth, back_end: str) -> None:
        self._guard = guard
        self._mouth = mouth
        self._back_end = back_end
        self._lines = Lines()
        self._selector = selectors.DefaultSelector()
        self._keyboard: Keyboard | None = None
        self._look_s = 0.0
        self._ended = False
        self._watch(keyboard)

    def run(self, stdin: Stdin) -> None:
        """Until stdin ends or a signal asks to end; then, and on any failure, everything is let go."""
        woken, wake = socket.socketpair()
        woken.setblocking(False)
        wake.setblocking(False)
        self._selector.register(stdin, selectors.EVENT_READ, "commands")
        self._selector.register(woken, selectors.EVENT_READ, "signal")
        signal.signal(signal.SIGTERM, self._on_signal)
        if sys.platform != "win32":
            signal.signal(signal.SIGHUP, self._on_signal)
        else:
            signal.signal(signal.SIGBREAK, signal.SIG_IGN)  # as Ctrl-C below
        signal.set_wakeup_fd(wake.fileno())
        # Ctrl-C in a terminal reaches every process of it; the daemon decides what it means.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        try:
            while not self._ended:
                self._turn(stdin)
        finally:
            with suppress(KeyboardGoneError):
                self._mouth.say(*self._guard.release("the daemon has gone"))
            if self._keyboard is not None:
                self._keyboard.close()

    def _turn(self, stdin: Stdin) -> None:
        for key, _ in self._selector.select(self._wait_s()):
            if key.data == "commands":
                self._read(stdin)
            elif key.data == "screen":
                self._poll()
        now_s = host_clock.now_s()
        self._tell(self._guard.tick(now_s))
        if self._keyboard is None and now_s >= self._look_s:
            self._look(now_s)

    def _on_signal(self, *_: object) -> None:
        self._ended = True

    def _wait_s(self) -> float | None:
        due = self._guard.deadline_s()
        if self._keyboard is None:
            due = self._look_s if due is None else min(due, self._look_s)
        return None if due is None else max(0.0, due - host_clock.now_s())

    def _read(self, stdin: Stdin) -> None:
        data = stdin.read()
        if not data:
            self._ended = True
            return
        commands = []
        for line in self._lines.feed(data):
            try:
                command = decode(line)
            except LineError as error:
                self._mouth.say(Said("refused", why=str(error)))
                continue
            # Pulses first, or a guard that was kept waiting would take the daemon for dead.
            if isinstance(command, Pulse):
                self._tell(self._guard.take(command, host_clock.now_s()))
            else:
                commands.append(command)
        for command in commands:
            now_s = host_clock.now_s()
            # What is due comes first: a long queue of commands must not put it off.
            self._tell(self._guard.tick(now_s))
            self._tell(self._guard.take(command, now_s))

    def _poll(self) -> None:
        if self._keyboard is None:  # it went while this round's commands were carried out
            return
        try:
            self._keyboard.poll()
            self._tell(self._guard.look_at_pause_key())
        except KeyboardGoneError as gone:
            self._tell(self._guard.lose_screen(str(gone)))

    def _tell(self, told: Sequence[Said]) -> None:
        for each in told:
            if each.what == "gone":
                self._forget()
        self._mouth.say(*told)

    def _watch(self, keyboard: Keyboard) -> None:
        self._keyboard = keyboard
        descriptor = keyboard.fileno()
        if descriptor is not None:
            self._selector.register(descriptor, selectors.EVENT_READ, "screen")

    def _forget(self) -> None:
        if self._keyboard is None:
            return
        for key in list(self._selector.get_map().values()):
            if key.data == "screen":
                self._selector.unregister(key.fileobj)
        with suppress(Exception):  # whatever the library makes of a connection that is no more
            self._keyboard.close()
        self._keyboard = None
        self._look_s = host_clock.now_s() + _SCREEN_EVERY_S

    def _look(self, now_s: float) -> None:
        self._look_s = now_s + _SCREEN_EVERY_S
        try:
            keyboard = open_keyboard(self._back_end)
        except (KeyboardError, KeyboardGoneError):
            return
        self._watch(keyboard)
        self._tell(self._guard.find_screen(keyboard))


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit 0 after a clean end, 1 when there is nothing to type on."""
    parser = argparse.ArgumentParser(prog="python -m bridge.outputs.guard", description=__doc__)
    parser.add_argument("--back-end", default="auto", help="x11, uinput, macos, windows or auto")
    parser.add_argument("--per-second", type=float, default=KEYSTROKES_PER_S, help="most presses a second")
    parser.add_argument("--longest-hold", type=float, default=LONGEST_HOLD_S, help="seconds at most")
    parser.add_argument("--pause-key", default="", help="a key whose press is told to the daemon")
    options = parser.parse_args(arguments)
    mouth = Mouth(sys.stdout.fileno())
    try:
        allowed = allow_list.load()
        keyboard = open_keyboard(options.back_end)
        guard = Guard(
            keyboard,
            allowed=allowed,
            per_second=options.per_second,
            longest_hold_s=options.longest_hold,
            pause_key=options.pause_key,
        )
        guard.free_leftovers()
        told = guard.watch_pause_key()
    except (KeyboardError, allow_list.AllowListError) as error:
        mouth.say(Said("failed", why=str(error)))
        mouth.finish()
        return 1
    except KeyboardGoneError:
        mouth.say(Said("failed", why="the screen session ended while the keyboard was being opened"))
        mouth.finish()
        return 1
    loop = Loop(guard, keyboard, mouth, keyboard.name)
    mouth.say(Said("ready", os.getpid(), keyboard.name), *told)
    loop.run(Stdin(sys.stdin.fileno()))
    mouth.finish()
    return 0


if __name__ == "__main__":
    sys.exit(main())
