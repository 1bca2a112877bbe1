"""The local page and its server: see the signal, what the detectors make of it, and what that did."""

from __future__ import annotations

from bridge.monitor.lent import Health, LoadedRule, LoadedRules, Service
from bridge.monitor.server import Monitor

__all__ = ["Health", "LoadedRule", "LoadedRules", "Monitor", "Service"]
