"""Lines to stdout or stderr, written by a thread of their own.

A terminal that is paused, a pager that waits, a full disk or a reader that has gone must not hold up control:
who prints only puts a line into a bounded queue. What finds no room there is dropped and counted.
"""

from __future__ import annotations

import contextlib
import io
import logging
import os
import threading
from collections import deque
from collections.abc import Callable
from typing import Final, TextIO

MOST_LINES: Final = 2000
# A fast replay makes lines as quickly as it can, and its reader wants them all: hours of signal fit in here.
MOST_LINES_FAST: Final = 1_000_000


class OutputStream:
    """Takes lines for a text stream without ever waiting for it, and without ever raising.

    ``on_failure`` is told once, on the writing thread, when the stream takes nothing more. ``dropped`` counts
    the lines that found no room or came after that.
    """

    def __init__(
        self, stream: TextIO, *, most: int = MOST_LINES, on_failure: Callable[[OSError], None] | None = None
    ) -> None:
        self._write = _writer_to(stream)
        self._encoding = stream.encoding or "utf-8"
        self._most = most
        self._on_failure = on_failure
        self._waiting: deque[str] = deque()
        self._changed = threading.Condition()
        self._ending = False
        self._thread: threading.Thread | None = None
        self.dropped = 0
        self.failed = False

    def line(self, text: str) -> None:
        """Queue one line; the newline is added."""
        with self._changed:
            if self.failed or self._ending or len(self._waiting) >= self._most:
                self.dropped += 1
                return
            self._waiting.append(text)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="output stream", daemon=True)
                self._thread.start()
            self._changed.notify()

    def finish(self, within_s: float | None = 1.0) -> None:
        """Write what is queued and end; give up after ``within_s``. None waits for as long as it takes."""
        with self._changed:
            self._ending = True
            self._changed.notify()
            thread = self._thread
        if thread is not None:
            thread.join(within_s)
            if thread.is_alive():
                with self._changed:
                    self.dropped += len(self._waiting)
                    self._waiting.clear()

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._waiting and not self._ending:
                    self._changed.wait()
                if not self._waiting:
                    return
                lines = list(self._waiting)
                self._waiting.clear()
            text = "".join(f"{line}\n" for line in lines)
            try:
                self._write(text.encode(self._encoding, "replace"))
            except OSError as error:
                with self._changed:
                    self.failed = True
                    self.dropped += len(lines) + len(self._waiting)
                    self._waiting.clear()
                if self._on_failure is not None:
                    self._on_failure(error)
                return


class LogStream(logging.Handler):
    """Log records as lines of an output stream."""

    def __init__(self, stream: OutputStream) -> None:
        super().__init__()
        self._stream = stream

    def emit(self, record: logging.LogRecord) -> None:
        try:
            text = self.format(record)
        except Exception:
            self.handleError(record)
            return
        self._stream.line(text)


def _writer_to(stream: TextIO) -> Callable[[bytes], None]:
    """What writes all the given bytes. The stream's own buffer is passed by: a thread that waits in it would
    hold its lock, and the interpreter could not end.
    """
    try:
        descriptor = os.dup(stream.fileno())
    except (OSError, io.UnsupportedOperation):
        return _writer_into(stream)
    raw = open(descriptor, "wb", buffering=0)  # noqa: SIM115  # stays open as long as the process

    def write(data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[raw.write(view) or 0 :]

    return write


def _writer_into(stream: TextIO) -> Callable[[bytes], None]:
    """For a stream without a descriptor, such as one that a test put in its place."""
    encoding = stream.encoding or "utf-8"

    def write(data: bytes) -> None:
        with contextlib.suppress(ValueError):  # closed meanwhile
            stream.write(data.decode(encoding))
            stream.flush()

    return write
