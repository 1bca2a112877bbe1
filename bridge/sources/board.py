"""A conversation with a board that runs our own program: settings to it, samples from it.

No input or output.
"""

from __future__ import annotations

from bridge.sources.frames import FrameDecoder, Hello, Sample, Status

RATES_HZ = (125, 250, 500, 1000)


class BoardSession:
    """Feed it bytes; it gives samples once the board is set as wanted, and ``outgoing`` has what to write.

    The board answers each command with a hello and says hello every second, so a command or answer that
    was lost is made good by the next hello. ``restarts`` counts how often its numbering began anew.
    """

    def __init__(self, channels: int, rate_hz: int | None = None) -> None:
        self.channels = channels
        self.rate_hz = rate_hz
        self.hello: Hello | None = None
        self.settled = False
        self.refused: Status | None = None
        self.restarts = 0
        self.decoder = FrameDecoder()
        self._commands: list[str] = []

    def reconnected(self) -> None:
        """The port is open again: nothing is believed or written before its next hello."""
        self.decoder.reset()
        self.settled = False
        self.restarts += 1
        self._commands = []

    def feed(self, data: bytes) -> list[Sample]:
        """The samples in these bytes, those of a board that is not set as wanted left out."""
        samples: list[Sample] = []
        for message in self.decoder.feed(data):
            if isinstance(message, Hello):
                self._heard(message)
                if message.status == "started":
                    samples.clear()  # they belong to the numbering before
            elif self.settled and len(message.values) == self.channels:
                samples.append(message)
        return samples

    def outgoing(self) -> bytes:
        """Commands to write now; each is given once."""
        commands, self._commands = self._commands, []
        return "".join(f"{command}\n" for command in commands).encode()

    def _heard(self, hello: Hello) -> None:
        if hello.status == "started":
            self.restarts += 1
        self.hello = hello
        if self.rate_hz is None:
            self.rate_hz = hello.rate_hz
        if hello.status in ("unknown", "line-too-slow"):
            self.refused = hello.status
        wanted = (self.channels, self.rate_hz)
        self.settled = (hello.channels, hello.rate_hz) == wanted
        if self.settled or self.refused:
            return
        # Down before up: a step between must not ask more of the line than the end does.
        rate_first = self.rate_hz < hello.rate_hz
        steps = [f"channels {self.channels}"] if hello.channels != self.channels else []
        if hello.rate_hz != self.rate_hz:
            steps.insert(0 if rate_first else len(steps), f"rate {self.rate_hz}")
        self._commands = steps[:1]

    def refusal(self) -> str:
        """Why the board does not do what was asked, and what to do."""
        assert self.hello is not None
        if self.refused == "line-too-slow":
            return (
                f"{self.channels} channels at {self.rate_hz} Hz are more than {self.hello.baud} baud carry; "
                f"use fewer channels or a lower `rate:`"
            )
        rates = ", ".join(map(str, RATES_HZ))
        return f"it takes 1 to 6 channels at {rates} Hz, not {self.channels} at {self.rate_hz} Hz"
