"""Models for what a rule file joins: sources with their channels, outputs, detectors."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from bridge.rules.addresses import topic_problem
from bridge.rules.hosts import is_loopback, normal_host
from bridge.rules.strict import Name, Number, Scalar, Strict, Text, Truth, Word, as_list, one_key
from bridge.rules.words import problem, shown
from bridge.signals.types import ChannelKind, Unit

Rate = Annotated[float, Field(gt=0, le=1_000_000)]
Port = Annotated[int, Field(ge=1, le=65535)]
LONGEST_PATH = 1000


def _auto_or_hz(value: Any) -> Any:
    if value in ("auto", None):
        return value
    if str(value) in ("50", "60"):
        return int(value)
    raise problem(f"the mains frequency is 50 or 60 Hz, not `{value!s:.40}`", "write 50, 60 or auto")


MainsHz = Annotated[
    Literal[50, 60, "auto"], BeforeValidator(_auto_or_hz, json_schema_input_type=Literal[50, 60, "auto"])
]


def _host(value: Any) -> str:
    try:
        normal_host(str(value))
    except ValueError:
        raise problem(
            f"{shown(value)} is no host", "write a name or an address, without port or protocol"
        ) from None
    return str(value).strip()


Host = Annotated[str, BeforeValidator(_host, json_schema_input_type=str)]


class ChannelSpec(Strict):
    """One channel of a source: its name, and what it carries."""

    name: Name = Field(description="How rules, detectors and recordings call it.")
    kind: ChannelKind | None = Field(
        None, description="What it carries; may be left out where the name says it, such as `ecg` or `Fp1`."
    )
    column: Annotated[int, Field(ge=1, le=4096)] | None = Field(
        None, description="Which number of a line it is, counted from 1; without it the order counts."
    )
    gain: Annotated[float, Field(gt=0)] | None = Field(
        None, description="Of the amplifier; with `reference_voltage` and `bits` counts become microvolts."
    )
    reference_voltage: Annotated[float, Field(gt=0)] | None = Field(
        None, description="Volts at the converter's top."
    )
    bits: Annotated[int, Field(ge=4, le=32)] | None = Field(None, description="Resolution of the converter.")
    unit: Unit = Field("count", description="The unit of the numbers as they come.")
    low: Number | None = Field(None, description="The converter's lower rail, for noticing clipping.")
    high: Number | None = Field(None, description="The converter's upper rail.")

    @model_validator(mode="after")
    def _scaled(self) -> ChannelSpec:
        given = [self.gain is not None, self.reference_voltage is not None]
        if any(given) and not (all(given) and self.bits is not None):
            raise problem(
                f"channel `{self.name}` has only some of gain, reference_voltage and bits",
                "give all three, or none",
            )
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise problem(f"channel `{self.name}`: low is not below high", "swap them")
        return self


Channels = Annotated[tuple[ChannelSpec, ...], Field(max_length=256)]


class _Source(Strict):
    channels: Channels = Field((), description="Names, orders and selects what the source carries.")

    @model_validator(mode="after")
    def _distinct(self) -> _Source:
        names = [channel.name for channel in self.channels]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise problem(f"two channels are called `{twice[0]}`", "give each its own name")
        columns = [channel.column for channel in self.channels if channel.column is not None]
        if len(set(columns)) != len(columns):
            raise problem("two channels have the same column", "give each its own column")
        if columns and len(columns) != len(self.channels):
            raise problem(
                "some channels have a column, others not", "give `column` to all of them, or to none"
            )
        return self


def _auto_or_baud(value: Any) -> Any:
    if value == "auto":
        return "auto"
    text = str(value)
    if text.isascii() and text.isdigit() and len(text) < 9 and 50 <= int(text) <= 12_000_000:
        return int(text)
    raise problem(f"{shown(value)} is not a baud rate", "write `auto` or a number such as 115200")


class SerialSource(_Source):
    """A board on a serial port that sends lines of numbers."""

    type: Literal["serial"] = Field(description="A board on a serial port.")
    port: Text = Field("auto", description="The port's name, or `auto`.")
    baud: Annotated[
        int | Literal["auto"], BeforeValidator(_auto_or_baud, json_schema_input_type=int | Literal["auto"])
    ] = Field("auto", description="Bits a second, or `auto` to try the usual ones.")
    rate: Rate | None = Field(None, description="Sampling rate in Hz; measured when it is not given.")


def _recording(value: Any) -> str:
    name = str(value)
    parts = name.replace("\\", "/").split("/")
    if not isinstance(value, str) or not name.strip() or not name.isprintable() or len(name) > LONGEST_PATH:
        raise problem(
            f"the name of a recording is needed, not {shown(value)}", "write a name such as `a.edf`"
        )
    if name.startswith(("/", "\\", "~")) or ".." in parts or ":" in parts[0]:
        raise problem(
            f"a rule file reads recordings of its own folder only, not {shown(value)}",
            "put the recording there, or give it to the command: `run FILE --replay RECORDING`",
        )
    return name


Recording = Annotated[str, BeforeValidator(_recording, json_schema_input_type=str)]


class ReplaySource(_Source):
    """A recording in the rule file's folder or below it, played at its own pace."""

    type: Literal["replay"] = Field(description="A recording.")
    file: Recording = Field(description="EDF+, BDF+, WFDB header or CSV, in the rule file's folder or below.")
    rate: Rate | None = Field(None, description="Sampling rate in Hz, for CSV files that do not say it.")


class SyntheticSource(_Source):
    """A simulated person, for trying without hardware."""

    type: Literal["synthetic"] = Field(description="A simulated person.")
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)] = Field(0, description="The same seed, the same person.")
    rate: Rate | None = Field(None, description="Sampling rate in Hz.")
    mains_hz: MainsHz = Field("auto", description="Frequency of the hum: 50, 60 or auto, which is 50.")
    reliability: Annotated[Number, Field(ge=0, le=1)] = Field(
        0.95, description="The share of a calibration's cues that the person follows."
    )


class LslSource(_Source):
    """A stream of the lab streaming layer."""

    type: Literal["lsl"] = Field(description="A stream of the lab streaming layer.")
    name: Name = Field(description="The stream's name.")


class NetworkSource(_Source):
    """A board or program that sends lines of numbers or OSC messages: on this computer, or from the network.

    Whoever can send samples can press keys, so nobody else may: a Unix socket is open to this user alone,
    everything else asks for a login, whose password is the token that the sender gives. Over TCP the token
    is the first line; over UDP it is the first line of each datagram; in OSC the first argument of each
    message.
    """

    type: Literal["network"] = Field(description="Lines or OSC messages of another program or board.")
    protocol: Literal["unix", "tcp", "udp"] = Field(
        "unix", description="How it comes: by a socket in this user's runtime folder, or by TCP or UDP."
    )
    format: Literal["lines", "osc"] = Field("lines", description="Lines of numbers, or OSC messages.")
    socket: Word | None = Field(
        None, description="The Unix socket's name, `samples` if not given; the program says its whole path."
    )
    listen: Host = Field(
        "127.0.0.1",
        description="TCP and UDP: the address to listen on. Beyond loopback only `tcp`, with a login that "
        "has a certificate and a token.",
    )
    port: Port | None = Field(None, description="TCP and UDP: the port to listen on.")
    login: Word | None = Field(
        None, description="The login that holds the token which the sender must give, and our certificate."
    )
    anyone_on_this_computer: Truth = Field(
        False, description="TCP and UDP on loopback without a login: every user here may send samples."
    )
    rate: Rate | None = Field(None, description="Sampling rate in Hz; measured when it is not given.")

    @model_validator(mode="after")
    def _admitting(self) -> NetworkSource:
        if self.protocol == "unix":
            self._only_unix()
            return self
        if self.port is None:
            raise problem("`port` is missing", f"`protocol: {self.protocol}` needs one, such as `port: 9100`")
        if self.socket is not None:
            raise problem("`socket` is for `protocol: unix`", "remove it, or the protocol")
        if self.format == "osc" and self.protocol == "tcp":
            raise problem("OSC messages come by `unix` or `udp`", "write `protocol: udp`")
        where = f"{self.listen}:{self.port}"
        make = f"biosignal-bridge login add NAME --host {self.listen} --port {self.port}"
        if is_loopback(self.listen):
            if self.login is None and not self.anyone_on_this_computer:
                raise problem(
                    f"every user of this computer could send samples to {where}, and so press keys",
                    f"leave `protocol` out, or run `{make}` and write `login: NAME`; where that is no danger "
                    "write `anyone_on_this_computer: true`",
                )
            return self
        if self.anyone_on_this_computer:
            raise problem("`anyone_on_this_computer` is for loopback", "write `login: NAME` instead")
        if self.protocol == "udp":
            raise problem(
                f"UDP is not encrypted, so it is taken on loopback only, not at {where}",
                "write `protocol: tcp` and `login: NAME`",
            )
        if self.login is None:
            raise problem(
                f"listening at {where}, beyond this computer, needs TLS and a token",
                f"run `{make} --certificate FILE --certificate-key FILE` and write `login: NAME`",
            )
        return self

    def _only_unix(self) -> None:
        given = [
            word
            for word, there in (
                ("port", self.port is not None),
                ("listen", "listen" in self.model_fields_set),
                ("login", self.login is not None),
                ("anyone_on_this_computer", self.anyone_on_this_computer),
            )
            if there
        ]
        if given:
            raise problem(
                f"`{given[0]}` is for TCP and UDP, and this is a Unix socket",
                "remove it, or write `protocol: tcp` or `protocol: udp`",
            )


SourceSpec = Annotated[
    SerialSource | ReplaySource | SyntheticSource | LslSource | NetworkSource, Field(discriminator="type")
]


class _Output(Strict):
    most_per_second: Annotated[float, Field(gt=0, le=10_000)] | None = Field(
        None, description="The output's rate limit; each type has a sensible one of its own."
    )


def _pause_key(value: Any) -> str:
    return "" if value in ("none", "") else one_key(value)


class KeystrokesOutput(_Output):
    """Real keys and the mouse of this computer; sends only when armed."""

    type: Literal["keystrokes"] = Field(description="Keys and mouse of this computer.")
    pause_key: Annotated[str, BeforeValidator(_pause_key, json_schema_input_type=str)] = Field(
        "Pause",
        description="The key that pauses and resumes everything, whatever program has the focus (X11); no "
        "rule can press it. `Pause` if not given, `none` for none.",
    )


class OscOutput(_Output):
    """OSC 1.0 messages to another program."""

    type: Literal["osc"] = Field(description="OSC 1.0 messages.")
    host: Host = Field("127.0.0.1", description="Where the receiver runs.")
    port: Port = Field(description="The receiver's port.")
    protocol: Literal["udp", "tcp"] = Field("udp", description="UDP, or TCP framed by SLIP.")


def _topic(value: Any) -> str:
    wrong = topic_problem(value) if isinstance(value, str) else "a topic is a text"
    if wrong:
        raise problem(wrong, "write a topic such as `lab/heart`")
    return str(value)


Topic = Annotated[str, BeforeValidator(_topic, json_schema_input_type=str)]


class MqttOutput(_Output):
    """Publications to an MQTT broker. Secrets stand under a login's name in a file of their own."""

    type: Literal["mqtt"] = Field(description="Publications to an MQTT broker.")
    host: Host = Field(description="Where the broker runs.")
    port: Port | None = Field(None, description="The broker's port; 1883, or 8883 with `tls`.")
    tls: Truth = Field(False, description="Encrypt the connection.")
    login: Word | None = Field(
        None, description="The login with user name, password and certificates; it must be for this host."
    )
    client_id: Name | None = Field(None, description="The client identifier; made up when it is not given.")
    topic: Topic | None = Field(
        None,
        description="Under it are the daemon's retained `status` and the topics of rules that name none; "
        "without it `biosignal-bridge/` and eight digits that no other daemon has.",
    )
    qos: Annotated[int, Field(ge=0, le=2)] = Field(
        0, description="Quality of service where a rule gives none."
    )

    @property
    def broker_port(self) -> int:
        """The port that is meant, also where none is given (8883 and 1883: MQTT's registered ports)."""
        return self.port if self.port is not None else 8883 if self.tls else 1883


class LogOutput(_Output):
    """A line in the daemon's log for each action; takes actions of every kind."""

    type: Literal["log"] = Field(description="A line in the log.")


OutputSpec = Annotated[KeystrokesOutput | OscOutput | MqttOutput | LogOutput, Field(discriminator="type")]


class DetectorSpec(Strict):
    """Binds a detector to channels where their kinds do not say it, or gives it a name and settings."""

    detector: Word = Field(description="Which detector: blink, gaze, contraction, heartbeat, …")
    name: Name | None = Field(None, description="How rules call it (`from:`); else the detector's own name.")
    channel: Name | None = Field(None, description="The channel that feeds it.")
    channels: Annotated[
        tuple[Name, ...] | None, BeforeValidator(lambda value: None if value is None else as_list(value))
    ] = Field(None, description="Several channels that feed it together, such as electrodes round an arm.")
    source: Name | None = Field(None, description="Which of several sources.")
    settings: dict[str, Scalar] = Field({}, description="The detector's settings; a profile has them too.")

    @model_validator(mode="after")
    def _one_of(self) -> DetectorSpec:
        if self.channel is not None and self.channels is not None:
            raise problem("both `channel` and `channels` are given", "keep one of them")
        return self

    @property
    def channel_names(self) -> tuple[str, ...]:
        """The named channels, none if they are to be found by their kind."""
        return (self.channel,) if self.channel is not None else self.channels or ()
