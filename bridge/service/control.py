"""The control channel: `status`, `pause`, `resume`, `arm`, `disarm` and `stop` for a running daemon.

How a daemon is reached on which system is in ``control_channel``. A request is one JSON line
``{"do": "status"}``; the answer is one JSON line, ``{"error": …}`` when it was refused.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.service.control_channel import ControlChannel, for_this_system
from bridge.trust.listener import Listener
from bridge.trust.places import make_private, runtime_folder

_LONGEST_REQUEST = 1024
_PATIENCE_S = 2.0  # how long a command waits for the daemon


class ControlError(Exception):
    """No daemon answers, or several do and none was named."""


class ControlServer:
    """Listens for the life of the daemon. ``answers`` maps a request's word to what makes the answer."""

    def __init__(
        self, answers: Mapping[str, Callable[[], Mapping[str, Any]]], channel: ControlChannel | None = None
    ) -> None:
        self._answers = dict(answers)
        self._channel = channel or for_this_system()
        self._listener: Listener | None = None
        self.path = Path()  # known once it has started

    async def start(self) -> None:
        """Raises OSError when there is no folder of this user's own to use."""
        folder = runtime_folder()
        make_private(folder)
        self.path = folder / f"{os.getpid()}{self._channel.suffix}"
        self.path.unlink(missing_ok=True)
        self._listener = Listener("the control channel", [self._channel.bind(self.path)], self._protocol)

    async def stop(self) -> None:
        if self._listener is not None:
            await self._listener.close()
            self._listener = None
            self.path.unlink(missing_ok=True)

    def _protocol(self) -> asyncio.Protocol:
        return asyncio.StreamReaderProtocol(asyncio.StreamReader(_LONGEST_REQUEST), self._serve)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One question, one answer; who takes longer than that is dropped by the listener."""
        try:
            if await self._channel.admits(reader):
                line = await reader.readuntil()
                writer.write(json.dumps(self._answer(line)).encode() + b"\n")
                await writer.drain()
        except (ValueError, EOFError, ConnectionError, asyncio.LimitOverrunError):
            pass  # too long, too slow or gone: nothing to answer
        finally:
            writer.close()

    def _answer(self, line: bytes) -> Mapping[str, Any]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return {"error": "a request is one line of JSON"}
        word = request.get("do") if isinstance(request, dict) else None
        if not isinstance(word, str) or word not in self._answers:
            return {"error": f"ask for one of: {', '.join(sorted(self._answers))}"}
        return self._answers[word]()


def daemons(channel: ControlChannel | None = None) -> list[int]:
    """Process ids of the daemons that listen; what a killed one left is removed. Raises ControlError."""
    channel = channel or for_this_system()
    found: list[int] = []
    try:
        folder = runtime_folder()
        if not folder.exists():
            return found
        make_private(folder)  # whoever owns it could answer in a daemon's place
    except OSError as error:
        raise ControlError(f"daemons cannot be looked for: {error}") from error
    for path in sorted(folder.glob(f"*{channel.suffix}")):
        with contextlib.suppress(ValueError):
            pid = int(path.stem)
            try:
                channel.connect(path, _PATIENCE_S).close()
            except ConnectionRefusedError:
                with contextlib.suppress(OSError):
                    path.unlink(missing_ok=True)
            except FileNotFoundError:
                pass  # it has ended meanwhile
            except OSError:
                found.append(pid)  # stopped, or too busy to take another connection: it will say so
            else:
                found.append(pid)
    return found


def ask(
    word: str, pid: int | None = None, channel: ControlChannel | None = None, *, file: str | None = None
) -> dict[str, Any]:
    """Send one request to the daemon with this process id or of this rule file, or to the one that runs.

    Raises ControlError.
    """
    channel = channel or for_this_system()
    running = daemons(channel)
    if not running:
        raise ControlError("no daemon is running; start one with `biosignal-bridge run FILE`")
    if pid is not None and pid not in running:
        raise ControlError(f"no daemon with process id {pid} is running")
    if pid is None:
        pid = running[0] if len(running) == 1 and file is None else _named(running, file, channel)
    return _answer_of(word, pid, channel)


def ask_all(word: str, channel: ControlChannel | None = None) -> list[dict[str, Any]]:
    """The answers of all daemons of this user; one that ends meanwhile is left out. Raises ControlError."""
    channel = channel or for_this_system()
    answers = []
    for pid in daemons(channel):
        with contextlib.suppress(ControlError):
            answers.append(_answer_of(word, pid, channel))
    return answers


def _named(running: Sequence[int], file: str | None, channel: ControlChannel) -> int:
    """The one daemon of a rule file. Raises ControlError with the rule files that there are."""
    files: dict[int, str] = {}
    for pid in running:
        with contextlib.suppress(ControlError):
            files[pid] = str(_answer_of("status", pid, channel).get("rule_file", ""))
    listed = ", ".join(f"{Path(name).name or 'no rule file'} (--pid {pid})" for pid, name in files.items())
    if file is None:
        raise ControlError(f"several daemons are running; name one by its rule file: {listed}")
    fitting = [pid for pid, name in files.items() if name and Path(name) == Path(file).resolve()]
    fitting = fitting or [pid for pid, name in files.items() if file in (Path(name).name, Path(name).stem)]
    if not fitting:
        raise ControlError(f"no daemon runs {file}; there is: {listed}")
    if len(fitting) > 1:
        raise ControlError(f"several daemons run {file}; name one by --pid: {listed}")
    return fitting[0]


def _answer_of(word: str, pid: int, channel: ControlChannel) -> dict[str, Any]:
    try:
        with channel.connect(runtime_folder() / f"{pid}{channel.suffix}", _PATIENCE_S) as link:
            link.sendall(json.dumps({"do": word}).encode() + b"\n")
            with link.makefile("rb") as answer:
                plain = json.loads(answer.readline())
    except (OSError, ValueError) as error:
        raise ControlError(f"daemon {pid} does not answer: {error}") from error
    if not isinstance(plain, dict) or "error" in plain:
        raise ControlError(f"daemon {pid}: {plain.get('error') if isinstance(plain, dict) else plain}")
    return plain
