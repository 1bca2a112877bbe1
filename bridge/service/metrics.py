"""Counters in the Prometheus text format; the page's server gives them out."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from bridge.outputs.standing import STATES
from bridge.service.latency import BOUNDS_S


def exposition(snapshot: Callable[[], dict[str, Any]]) -> Callable[[], tuple[bytes, str]]:
    """What makes the counters' text, and its media type, from what ``snapshot`` says at that moment."""

    def made() -> tuple[bytes, str]:
        from prometheus_client import CollectorRegistry, generate_latest
        from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4
        from prometheus_client.registry import Collector

        class Bridge(Collector):
            def collect(self) -> Iterable[Any]:
                return _families(snapshot())

        registry = CollectorRegistry()
        registry.register(Bridge())
        return generate_latest(registry), CONTENT_TYPE_PLAIN_0_0_4

    return made


def _families(now: dict[str, Any]) -> Iterable[Any]:
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily

    yield GaugeMetricFamily("bridge_uptime_seconds", "Time since the start", now["uptime_s"])
    yield CounterMetricFamily("bridge_samples", "Samples a channel", now["samples"])
    yield CounterMetricFamily("bridge_lost_samples", "Samples that never came", now["lost_samples"])
    yield CounterMetricFamily("bridge_skipped_lines", "Lines without samples", now["skipped_lines"])
    events = CounterMetricFamily("bridge_events", "Events by kind", labels=["kind"])
    for kind, count in now["events"].items():
        events.add_metric([kind], count)
    yield events
    actions = CounterMetricFamily(
        "bridge_actions", "Actions by output and what became of them", labels=["output", "result"]
    )
    for output, results in now["actions"].items():
        for result, count in results.items():
            actions.add_metric([output, result], count)
    yield actions
    state = GaugeMetricFamily("bridge_state", "1 for the state it is in", labels=["state"])
    for word in STATES:
        state.add_metric([word], float(word == now["state"]))
    yield state
    total = 0
    buckets = []
    for bound, count in zip((*map(str, BOUNDS_S), "+Inf"), now["latency_counts"], strict=True):
        total += count
        buckets.append((bound, total))
    latency = HistogramMetricFamily(
        "bridge_host_latency_seconds", "From a sample's arrival to its action's sending"
    )
    latency.add_metric([], buckets, now["latency_total_s"])
    yield latency
