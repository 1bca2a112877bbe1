"""What a port seems to be sending, told from its first bytes. No input or output."""

from __future__ import annotations

from collections import Counter

from bridge.sources.frames import FrameDecoder, Hello
from bridge.sources.lines import LineDecoder

_ENOUGH_LINES = 8
_GOOD_SHARE = 0.8


class Hearing:
    """Feed it what comes at one baud rate; it knows lines of numbers and the hello of our own program."""

    def __init__(self) -> None:
        self.heard_bytes = 0
        self.rows: list[list[float]] = []
        self.arrivals: list[tuple[int, float]] = []  # rows so far, host time
        self.decoder = LineDecoder()
        self.hello: Hello | None = None
        self._frames = FrameDecoder()

    def feed(self, data: bytes, host_s: float) -> None:
        self.heard_bytes += len(data)
        rows = self.decoder.feed(data)
        if rows:
            self.rows.extend(rows)
            self.arrivals.append((len(self.rows), host_s))
        for message in self._frames.feed(data):
            if isinstance(message, Hello):
                self.hello = message

    def columns(self, *, final: bool = False) -> int | None:
        """Numbers a line, or None while it cannot be said. ``final``: time is up, two good lines will do."""
        if self.hello is not None:
            return self.hello.channels
        if not self.rows:
            return None
        count, agreeing = Counter(len(row) for row in self.rows).most_common(1)[0]
        complete = len(self.rows) + self.decoder.skipped
        enough = 2 if final else _ENOUGH_LINES
        return count if agreeing >= enough and agreeing >= _GOOD_SHARE * complete else None

    def describe(self) -> str:
        """What was heard, for a message."""
        if not self.heard_bytes:
            return "nothing was heard"
        if self.rows:
            return "lines were heard, but too few of them hold numbers"
        return f"{self.heard_bytes} bytes were heard, but no lines of numbers"
