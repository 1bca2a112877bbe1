"""Several boards, one clock: where each stream's sample time 0 lies on the daemon's own time.

Each source keeps a robust line from sample index to host time (``sources.clock``). A stream's start is read
from it at every block, so a board whose crystal runs fast or slow does not wander away from the others. The
start moves slowly, so that the stream's time never steps back between two samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Protocol

# A crystal's 200 ppm are 0.2 ms a second; this follows them many times over and stays below a sample.
SLEW_PER_S: Final = 0.01
# Until the line has settled its first guesses may be corrected at once.
SETTLING_S: Final = 1.0


class Clock(Protocol):
    """What is needed of ``bridge.sources.clock.SampleClock``."""

    @property
    def started(self) -> bool: ...

    def host_time(self, index: float) -> float: ...


@dataclass(slots=True)
class Alignment:
    """``started_s``: the host's monotonic time that is the shared clock's 0."""

    started_s: float
    _starts: dict[str, float] = field(default_factory=dict)
    _seen_s: dict[str, float] = field(default_factory=dict)

    def start_s(
        self,
        name: str,
        first: int,
        count: int,
        rate_hz: float,
        received_s: float,
        clock: Clock | None,
        *,
        unseen: int = 0,
    ) -> float:
        """Sample time 0 of a stream on the shared clock, for the block of ``count`` samples from ``first``.

        The clock was not told of the ``unseen`` ones among the samples before it. Without a clock of its
        own the start is taken from the first block's arrival and kept.
        """
        if clock is not None and clock.started:
            wanted = clock.host_time(first - unseen) - first / rate_hz - self.started_s
        elif name in self._starts:
            return self._starts[name]
        else:
            wanted = received_s - (first + count) / rate_hz - self.started_s
        before = self._starts.get(name)
        seen_s = self._seen_s.get(name, 0.0) + count / rate_hz
        self._seen_s[name] = seen_s
        if before is not None and seen_s > SETTLING_S:
            most = SLEW_PER_S * count / rate_hz
            wanted = before + min(most, max(-most, wanted - before))
        self._starts[name] = wanted
        return wanted
