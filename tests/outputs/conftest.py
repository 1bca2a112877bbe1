"""Fixtures that start real components for the outputs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import components
import pytest


@pytest.fixture(autouse=True)
def _own_settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Nothing of the user's own settings may reach a test."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    for name in ("BIOSIGNAL_BRIDGE_KEYS", "BIOSIGNAL_BRIDGE_KEYBOARD", "WAYLAND_DISPLAY", "XDG_SESSION_TYPE"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def x_server(monkeypatch: pytest.MonkeyPatch) -> Iterator[components.XServer]:
    """A virtual X server, named by DISPLAY for the test."""
    with components.x_server() as server:
        monkeypatch.setenv("DISPLAY", server.display)
        yield server


@pytest.fixture
def recorder(x_server: components.XServer) -> Iterator[components.KeyRecorder]:
    with components.key_recorder(x_server) as recorder:
        yield recorder


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[components.Broker]:
    """An MQTT broker open to all on loopback."""
    broker = components.Broker.make(tmp_path / "broker").start()
    yield broker
    broker.stop()


@pytest.fixture
def subscriber(broker: components.Broker) -> Iterator[components.Subscriber]:
    subscriber = components.Subscriber(broker.port).start()
    yield subscriber
    subscriber.stop()
