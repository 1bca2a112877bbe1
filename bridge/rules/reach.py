"""What a rule file reaches beyond itself: every host, port, file and login, before anything is opened."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from bridge.rules.devices import (
    KeystrokesOutput,
    LogOutput,
    LslSource,
    MqttOutput,
    NetworkSource,
    OscOutput,
    ReplaySource,
    SerialSource,
)
from bridge.rules.hosts import is_loopback
from bridge.rules.schema import RuleFile


@dataclass(frozen=True, slots=True)
class Reach:
    """One source or output. ``part``: `source` or `output`; what does not apply is None."""

    part: str
    name: str
    type: str
    sentence: str
    host: str | None = None
    port: int | str | None = None
    file: str | None = None
    login: str | None = None
    tls: bool | None = None
    anyone_on_this_computer: bool = False

    @property
    def title(self) -> str:
        return f"{self.part} {self.name}".strip()

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def reaches(rules: RuleFile) -> tuple[Reach, ...]:
    """Sources first, in the file's order."""
    found = [_source(name, spec) for name, spec in rules.all_sources.items()]
    return (*found, *(_output(name, spec) for name, spec in rules.outputs.items()))


def _source(name: str, spec: Any) -> Reach:
    match spec:
        case SerialSource():
            where = "the serial port that a board is found on" if spec.port == "auto" else spec.port
            return Reach("source", name, spec.type, f"opens {where}", port=spec.port)
        case ReplaySource():
            return Reach("source", name, spec.type, f"reads the file {spec.file}", file=spec.file)
        case LslSource():
            text = f"takes the stream {spec.name} from whatever computer of the network offers it"
            return Reach("source", name, spec.type, text, host="the local network")
        case NetworkSource():
            return _network(name, spec)
        case _:
            return Reach("source", name, spec.type, "simulates a person; opens nothing")


def _network(name: str, spec: NetworkSource) -> Reach:
    what = "OSC messages" if spec.format == "osc" else "lines"
    if spec.protocol == "unix":
        socket = spec.socket or "samples"
        text = f"takes {what} from this user's programs, at the Unix socket {socket}"
        return Reach("source", name, spec.type, text, file=socket)
    where = _place(spec.listen, spec.port)
    text = f"takes {what} over {spec.protocol.upper()} at {where}"
    if spec.login is not None:
        text += f", from whoever gives the token of the login {spec.login}"
    else:
        text += ", from anyone on this computer: every user of it can send samples and so press keys"
    return Reach(
        "source",
        name,
        spec.type,
        text,
        spec.listen,
        spec.port,
        login=spec.login,
        tls=not is_loopback(spec.listen),
        anyone_on_this_computer=spec.anyone_on_this_computer,
    )


def _output(name: str, spec: Any) -> Reach:
    match spec:
        case KeystrokesOutput():
            return Reach("output", name, spec.type, "presses keys and moves the mouse here, once armed")
        case OscOutput():
            text = f"sends OSC over {spec.protocol.upper()} to {_place(spec.host, spec.port)}, not encrypted"
            return Reach("output", name, spec.type, text, spec.host, spec.port, tls=False)
        case MqttOutput():
            port = spec.broker_port
            text = f"publishes to the MQTT broker at {_place(spec.host, port)}"
            text += " over TLS" if spec.tls else ", not encrypted"
            if spec.login is not None:
                text += f", with the login {spec.login}"
            return Reach("output", name, spec.type, text, spec.host, port, login=spec.login, tls=spec.tls)
        case LogOutput():
            return Reach("output", name, spec.type, "writes lines in the log")
        case _:
            return Reach("output", name, spec.type, f"is of type {spec.type}")


def _place(host: str, port: int | None) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
