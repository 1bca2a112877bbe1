"""Counters in the Prometheus text format, served on loopback."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from bridge.outputs.standing import STATES
from bridge.service.latency import BOUNDS_S


def start(port: int, snapshot: Callable[[], dict[str, Any]]) -> Callable[[], None]:
    """Serve ``/metrics`` on 127.0.0.1; returns what stops it. Raises OSError when the port is taken.

    ``snapshot`` is called for each request from the server's own thread: it must only read.
    """
    from prometheus_client import CollectorRegistry, start_http_server
    from prometheus_client.core import (
        CounterMetricFamily,
        GaugeMetricFamily,
        HistogramMetricFamily,
        Metric,
    )
    from prometheus_client.registry import Collector

    class Bridge(Collector):
        def collect(self) -> Iterable[Metric]:
            now = snapshot()
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

    registry = CollectorRegistry()
    registry.register(Bridge())
    server, thread = start_http_server(port, addr="127.0.0.1", registry=registry)

    def stop() -> None:
        server.shutdown()
        server.server_close()
        thread.join(timeout=1)

    return stop
