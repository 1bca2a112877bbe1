"""A tap that records what passes: samples as EDF+, events and rules as annotations."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from bridge.recordings.edf_writer import EdfWriter
from bridge.recordings.recording import RecordingError
from bridge.rules.actions import Action
from bridge.signals.types import Annotation, Block, Detection, Event, StreamInfo

log = logging.getLogger("bridge")


class Recorder:
    """Records one stream to ``path``, several to files of that name with the stream's name added.

    A recording that fails (disk full) is told once and ends; the rest of the program goes on. What a
    detector saw is labelled ``event: KIND``, a rule that fired ``rule: NAME``: neither is a reference.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        overwrite: bool = False,
        start_s: Callable[[str], float] = lambda _stream: 0.0,
    ) -> None:
        """``start_s`` tells where a stream's sample time 0 lies on the clock that events are told on."""
        self.path = Path(path)
        self.problem: str | None = None  # why the recording ended early
        self._overwrite = overwrite
        self._start_s = start_s
        self._writers: dict[str, EdfWriter] = {}
        self._open: dict[tuple[str, str, str], Event] = {}
        self._channels: dict[str, str] = {}
        self._last_s: dict[str, float] = {}
        self._rates: dict[str, float] = {}

    def opened(self, infos: Mapping[str, StreamInfo]) -> None:
        """Create the files. Raises RecordingError: better at the start than never."""
        if self.path.name in ("", ".."):
            raise RecordingError(self.path, "it is a folder, not a file", "name a file, such as night.edf")
        started = datetime.now()  # noqa: DTZ005  # the format holds local wall time
        for name, info in infos.items():
            path = self.path if len(infos) == 1 else self.path.with_stem(f"{self.path.stem}-{name}")
            self._writers[name] = EdfWriter(path, info, started, overwrite=self._overwrite)
            self._rates[name] = info.rate
            for channel in info.channels:
                self._channels.setdefault(channel.name, name)

    def block(self, stream: str, block: Block) -> None:
        self._last_s[stream] = block.end / self._rates[stream]
        self._try(lambda: self._writers[stream].write(block))

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, object]]) -> None:
        for item in detections:
            if not isinstance(item, Event):
                continue
            key = (item.kind, item.channel, item.detector)
            if item.edge == "start":
                self._open[key] = item
            elif item.edge == "end":
                begun = self._open.pop(key, item)
                self._mark(item.channel, begun.onset, item.onset - begun.onset, f"event: {item.kind}")
            else:
                self._mark(item.channel, item.onset, 0.0, f"event: {item.kind}")
        for action, _ in actions:
            channel = action.cause.channel if action.cause is not None else ""
            self._mark(channel, action.time, 0.0, f"rule: {action.rule}")

    def mark(self, label: str, time_s: float, duration_s: float = 0.0) -> None:
        """Note a cue or a mark of the user's, in every file."""
        for writer in self._writers.values():
            self._try(lambda writer=writer: writer.annotate(Annotation(time_s, duration_s, label)))  # type: ignore[misc]

    def closed(self) -> None:
        for item in self._open.values():
            stream = self._channels.get(item.channel, "")
            end_s = self._last_s.get(stream, item.onset) + self._start_s(stream)
            self._mark(item.channel, item.onset, max(0.0, end_s - item.onset), f"event: {item.kind}")
        self._open.clear()
        for writer in self._writers.values():
            self._try(writer.close)

    def report(self) -> Mapping[str, Any]:
        """For the status: where it is recorded, and why no longer, where that is so."""
        return {"recording": {"file": str(self.path), "problem": self.problem}}

    def _mark(self, channel: str, onset_s: float, duration_s: float, label: str) -> None:
        stream = self._channels.get(channel) or next(iter(self._writers), None)
        if stream is not None:
            writer, own_s = self._writers[stream], onset_s - self._start_s(stream)
            self._try(lambda: writer.annotate(Annotation(own_s, max(0.0, duration_s), label)))

    def _try(self, act: Callable[[], None]) -> None:
        if self.problem is not None:
            return
        try:
            act()
        except RecordingError as error:
            self.problem = str(error)
            log.error("recording stopped: %s", error)
