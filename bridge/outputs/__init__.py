"""Where actions go, one file each, and the guard that lets keys go.

The guard is part of this package too and must stay small, so nothing is imported before it is used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from bridge.outputs.limits import RateLimit
    from bridge.outputs.protocol import Output


def build_all(specs: Mapping[str, Any], file: Path | None = None) -> dict[str, Output]:
    """Every output of a rule file, by name. Keystroke outputs share one limit in total.

    ``specs`` are the models of ``bridge.rules.devices``. Raises OutputError when a setting cannot be, such
    as a login that is not there or not for this host; ``file`` is the rule file, if it is one.
    """
    from bridge.outputs.limits import ALL_KEYSTROKES_PER_S, RateLimit

    total = RateLimit(ALL_KEYSTROKES_PER_S)
    return {name: build(name, spec, file, total) for name, spec in specs.items()}


def build(name: str, spec: Any, file: Path | None = None, total: RateLimit | None = None) -> Output:
    """The output that a spec describes. Raises OutputError, and KeyError for a type that is not known."""
    return REGISTRY[spec.type](name, spec, file, total)


def _keystrokes(name: str, spec: Any, _file: Path | None, total: RateLimit | None) -> Output:
    from bridge.outputs.keystrokes import Keystrokes
    from bridge.outputs.limits import KEYSTROKES_PER_S

    per_second = spec.most_per_second or KEYSTROKES_PER_S
    return Keystrokes(name, per_second=per_second, total=total, pause_key=spec.pause_key)


def _osc(name: str, spec: Any, _file: Path | None, _total: RateLimit | None) -> Output:
    from bridge.outputs.limits import OSC_PER_S
    from bridge.outputs.osc import OscOutput

    per_second = spec.most_per_second or OSC_PER_S
    return OscOutput(name, spec.host, spec.port, protocol=spec.protocol, per_second=per_second)


def _mqtt(name: str, spec: Any, file: Path | None, _total: RateLimit | None) -> Output:
    from bridge.outputs.limits import MQTT_PER_S
    from bridge.outputs.mqtt import DEFAULT_BASE, MqttOutput, daemon_id, make_broker
    from bridge.outputs.protocol import OutputError
    from bridge.trust.login import LoginError
    from bridge.trust.login_file import find_login

    port, login = spec.broker_port, None
    if spec.login is not None:
        try:
            login = find_login(spec.login, spec.host, port, tls=spec.tls)
        except LoginError as error:
            raise OutputError(f"output {name}: {error}") from error
    broker = make_broker(
        spec.host,
        port,
        tls=spec.tls,
        login=login,
        client_id=spec.client_id,
        base=spec.topic or f"{DEFAULT_BASE}/{daemon_id(name, file)}",
    )
    per_second = spec.most_per_second or MQTT_PER_S
    source = f"/biosignal-bridge/{broker.client_id}"
    return MqttOutput(name, broker, source=source, per_second=per_second)


def _log(name: str, spec: Any, _file: Path | None, _total: RateLimit | None) -> Output:
    from bridge.outputs.limits import LOG_PER_S
    from bridge.outputs.log import LogOutput

    return LogOutput(name, per_second=spec.most_per_second or LOG_PER_S)


REGISTRY: dict[str, Callable[[str, Any, Path | None, RateLimit | None], Output]] = {
    "keystrokes": _keystrokes,
    "osc": _osc,
    "mqtt": _mqtt,
    "log": _log,
}
