"""What passes through the daemon, kept for the page. No sockets here: a tap and its memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bridge.detectors.protocol import Detector
from bridge.monitor import frames
from bridge.monitor.history import History
from bridge.monitor.journal import Journal
from bridge.monitor.lent import Health, LoadedRules, Service
from bridge.monitor.plain import settings_to_json
from bridge.rules.actions import Action
from bridge.signals.advice import advice_for, describe
from bridge.signals.figures import Reason
from bridge.signals.types import Block, Detection, StreamInfo

if TYPE_CHECKING:
    from bridge.pipeline import DetectionChain


class Feed:
    """The tap's side of the monitor: cheap while nobody looks.

    ``layout`` grows when the streams change, ``rules_version`` when the rules do.
    """

    def __init__(self, service: Service) -> None:
        self.service = service
        self.journal = Journal()
        self.names: tuple[str, ...] = ()
        self.histories: tuple[History, ...] = ()
        self.chains: tuple[DetectionChain | None, ...] = ()
        self.layout = 0
        self.rules_version = 0
        self.ended = False
        self.health = Health()
        self._by_name: dict[str, tuple[History, DetectionChain | None]] = {}
        self._rules = LoadedRules()

    def open(self, infos: Mapping[str, StreamInfo]) -> None:
        pipeline = self.service.pipeline()
        chains = pipeline.chains if pipeline is not None else {}
        self.names = tuple(infos)
        self.chains = tuple(chains.get(name) for name in infos)
        self.histories = tuple(
            History(info, len(chain.detectors) if chain is not None else 0)
            for info, chain in zip(infos.values(), self.chains, strict=True)
        )
        pairs = zip(self.histories, self.chains, strict=True)
        self._by_name = dict(zip(self.names, pairs, strict=True))
        self.layout += 1
        self.ended = False

    def block(self, stream: str, block: Block) -> None:
        if stream not in self._by_name or not len(block):
            return
        history, chain = self._by_name[stream]
        pipeline = self.service.pipeline()
        current = pipeline.chains.get(stream) if pipeline is not None else None
        if current is not chain or (chain is not None and history.detectors != len(chain.detectors)):
            # New rules may ask for other detectors: the page is laid out anew.
            self.open({name: kept.info for name, (kept, _) in self._by_name.items()})
            history, chain = self._by_name[stream]
        history.add(block, chain.detectors if chain is not None else ())

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, str]]) -> None:
        self.journal.add(detections, actions)

    def settle(self) -> None:
        for history in self.histories:
            history.settle()

    def start_s(self, place: int) -> float:
        chain = self.chains[place]
        return chain.start_s if chain is not None else 0.0

    def frame(self, place: int, first: int, end: int) -> bytes:
        history = self.histories[place]
        columns = history.columns(first, end)
        return frames.section(frames.SIGNAL, place, history.epoch, first, self.start_s(place), columns)

    def find(self, stream: str, detector: str) -> tuple[int, DetectionChain, History, Detector] | None:
        """A detector by name, with its stream's place, chain and history."""
        for place, name in enumerate(self.names):
            chain = self.chains[place]
            if name == stream and chain is not None:
                for candidate in chain.detectors:
                    if candidate.name == detector:
                        return place, chain, self.histories[place], candidate
        return None

    def rules(self) -> LoadedRules:
        """The rules in force; counts up ``rules_version`` when they are not the ones of the last call."""
        rules = self.service.rules()
        if rules != self._rules:
            self._rules = rules
            self.rules_version += 1
        return rules

    def ask_health(self) -> None:
        """Asked seldom: it may sort many latencies."""
        self.health = self.service.health()

    def hello(self) -> dict[str, Any]:
        """What the page needs before any signal: streams, channels, detectors and their settings."""
        return {
            "type": "hello",
            "layout": self.layout,
            "dry_run": self.service.dry_run,
            "body": self.service.cautions,
            "can_keep": self.service.keep is not None and self.service.can_keep(),
            "calibration": self.service.calibration is not None,
            "cautions": sorted(
                {b.type.caution for chain in self.chains if chain is not None for b in chain.bindings} - {""}
            ),
            "streams": [
                {
                    "name": name,
                    "rate_hz": history.info.rate,
                    "per_column": history.per_column,
                    "parts": history.parts,
                    "length": history.length,
                    "channels": [
                        {"name": channel.name, "kind": channel.kind, "unit": channel.unit}
                        for channel in history.info.channels
                    ],
                    "detectors": [] if chain is None else _detectors(chain),
                }
                for name, history, chain in zip(self.names, self.histories, self.chains, strict=True)
            ],
        }

    def now(self) -> dict[str, Any]:
        """What changes all the time: state, health, levels, verdicts, what fired."""
        health = self.health
        return {
            "type": "now",
            **self._standing(),
            "ended": self.ended,
            "latency_median_ms": health.latency_median_ms,
            "latency_p99_ms": health.latency_p99_ms,
            "lost_samples": health.lost_samples or sum(history.lost for history in self.histories),
            "skipped_lines": health.skipped_lines,
            "recording_problem": health.recording_problem,
            "levels": [
                {
                    "kind": level.kind,
                    "time": level.time,
                    "value": level.value,
                    "channel": level.channel,
                    "detector": level.detector,
                }
                for level in self.journal.levels.values()
            ],
            "fired": {name: [n, self.journal.fired_s[name]] for name, n in self.journal.fired.items()},
            "signal": [_verdicts(chain) for chain in self.chains],
            "measured_hz": [history.measured_hz for history in self.histories],
        }

    def _standing(self) -> dict[str, Any]:
        standing = self.service.standing()
        return {**standing.to_json(), "name": standing.name, "meaning": standing.meaning}

    def status(self) -> dict[str, Any]:
        """``/status``: the same for scripts, with totals."""
        self.ask_health()
        now = self.now()
        del now["type"], now["fired"], now["signal"], now["measured_hz"]
        rules = self.rules()
        return {
            **now,
            "dry_run": self.service.dry_run,
            "streams": [
                {
                    "name": name,
                    "rate_hz": history.info.rate,
                    "measured_hz": history.measured_hz,
                    "samples": history.samples,
                    "lost_samples": history.lost,
                    "channels": _channels(history, chain),
                    "detectors": [] if chain is None else [detector.name for detector in chain.detectors],
                }
                for name, history, chain in zip(self.names, self.histories, self.chains, strict=True)
            ],
            "events": dict(self.journal.events),
            "actions": dict(self.journal.actions),
            "rules": {
                "file": rules.file,
                "problems": list(rules.problems),
                "fired": dict(self.journal.fired),
            },
        }


def _detectors(chain: DetectionChain) -> list[dict[str, Any]]:
    return [
        {
            "name": detector.name,
            "type": binding.type.name,
            "columns": list(binding.columns),
            "settings": settings_to_json(detector.settings),
        }
        for detector, binding in zip(chain.detectors, chain.bindings, strict=True)
    ]


def _verdicts(chain: DetectionChain | None) -> list[dict[str, Any]]:
    """Verdict and advice for each channel of a stream."""
    if chain is None:
        return []
    return [
        {
            "verdict": quality.verdict.value,
            "reason": "" if quality.reason is Reason.FINE else str(quality.reason),
            "advice": list(advice_for(quality.reason, channel.kind)),
        }
        for quality, channel in zip(chain.quality, chain.info.channels, strict=True)
    ]


def _channels(history: History, chain: DetectionChain | None) -> list[dict[str, Any]]:
    """Channels with their verdicts and figures, for ``/status``."""
    plain = [
        {"name": channel.name, "kind": channel.kind, "unit": channel.unit}
        for channel in history.info.channels
    ]
    if chain is None:
        return plain
    figures = [describe(quality.snapshot().figures, quality.channel) for quality in chain.quality]
    return [
        {**channel, **verdict, "figures": said}
        for channel, verdict, said in zip(plain, _verdicts(chain), figures, strict=True)
    ]
