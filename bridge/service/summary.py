"""What a run came to."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from bridge.service.latency import Latency


@dataclass(slots=True)
class Summary:
    """What the exit line tells."""

    seconds: float = 0.0
    blocks: int = 0
    samples: int = 0
    lost_samples: int = 0
    skipped_lines: int = 0
    events: Counter[str] = field(default_factory=Counter)
    actions: Counter[str] = field(default_factory=Counter)
    recording_problem: str | None = None
    latency: Latency = field(default_factory=Latency)

    def line(self) -> str:
        p50, p99 = self.latency.quantile_s(0.5), self.latency.quantile_s(0.99)
        latency = "no latency (nothing was sent)"
        if p50 is not None and p99 is not None:
            latency = f"host latency median {p50 * 1e3:.2f} ms, p99 {p99 * 1e3:.2f} ms"
        skipped = f", {self.skipped_lines} lines skipped" if self.skipped_lines else ""
        recording = f"; {self.recording_problem}" if self.recording_problem else ""
        return (
            f"{self.seconds:.1f} s of signal in {self.blocks} blocks, {sum(self.events.values())} events, "
            f"{sum(self.actions.values())} actions, {self.lost_samples} samples lost{skipped}, {latency}"
            f"{recording}"
        )
