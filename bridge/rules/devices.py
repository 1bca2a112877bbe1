"""Models for what a rule file joins: sources with their channels, outputs, detectors."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from bridge.rules.addresses import topic_problem
from bridge.rules.strict import Name, Number, Scalar, Strict, Text, Truth, Word, as_list, one_key
from bridge.rules.words import problem, shown
from bridge.signals.types import ChannelKind, Unit

Rate = Annotated[float, Field(gt=0, le=1_000_000)]
Port = Annotated[int, Field(ge=1, le=65535)]


def _auto_or_hz(value: Any) -> Any:
    if value in ("auto", None):
        return value
    if str(value) in ("50", "60"):
        return int(value)
    raise problem(f"the mains frequency is 50 or 60 Hz, not `{value!s:.40}`", "write 50, 60 or auto")


MainsHz = Annotated[
    Literal[50, 60, "auto"], BeforeValidator(_auto_or_hz, json_schema_input_type=Literal[50, 60, "auto"])
]


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
    mains_hz: MainsHz = Field("auto", description="Mains frequency: 50, 60 or auto.")

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


class ReplaySource(_Source):
    """A recording, played at its own pace."""

    type: Literal["replay"] = Field(description="A recording.")
    file: Name = Field(description="EDF+, BDF+, WFDB header or CSV, seen from the rule file's folder.")
    rate: Rate | None = Field(None, description="Sampling rate in Hz, for CSV files that do not say it.")


class SyntheticSource(_Source):
    """A simulated person, for trying without hardware."""

    type: Literal["synthetic"] = Field(description="A simulated person.")
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)] = Field(0, description="The same seed, the same person.")
    rate: Rate | None = Field(None, description="Sampling rate in Hz.")


class LslSource(_Source):
    """A stream of the lab streaming layer."""

    type: Literal["lsl"] = Field(description="A stream of the lab streaming layer.")
    name: Name = Field(description="The stream's name.")


class NetworkSource(_Source):
    """A board that sends its lines or OSC messages over the network."""

    type: Literal["network"] = Field(description="Lines or OSC messages from the network.")
    protocol: Literal["udp", "tcp"] = Field("udp", description="How it comes.")
    format: Literal["lines", "osc"] = Field("lines", description="Lines of numbers, or OSC messages.")
    listen: Name = Field(
        "127.0.0.1",
        description="The address to listen on. Beyond loopback only `tcp`, with certificate and token.",
    )
    port: Port = Field(description="The port to listen on.")
    certificate: Name | None = Field(None, description="TLS: the certificate's file (PEM).")
    certificate_key: Name | None = Field(None, description="TLS: the file of the certificate's key (PEM).")
    token_env: Name | None = Field(
        None, description="Environment variable that holds what the board must send as its first line."
    )
    rate: Rate | None = Field(None, description="Sampling rate in Hz; measured when it is not given.")


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
    host: Name = Field("127.0.0.1", description="Where the receiver runs.")
    port: Port = Field(description="The receiver's port.")
    protocol: Literal["udp", "tcp"] = Field("udp", description="UDP, or TCP framed by SLIP.")


def _topic(value: Any) -> str:
    wrong = topic_problem(value) if isinstance(value, str) else "a topic is a text"
    if wrong:
        raise problem(wrong, "write a topic such as `lab/heart`")
    return str(value)


Topic = Annotated[str, BeforeValidator(_topic, json_schema_input_type=str)]


class MqttOutput(_Output):
    """Publications to an MQTT broker. Secrets come from the environment or a file, never from here."""

    type: Literal["mqtt"] = Field(description="Publications to an MQTT broker.")
    host: Name = Field(description="Where the broker runs.")
    port: Port | None = Field(None, description="The broker's port; 1883, or 8883 with `tls`.")
    tls: Truth = Field(False, description="Encrypt the connection.")
    ca_file: Name | None = Field(None, description="Certificate authority, when the system does not know it.")
    username_env: Name | None = Field(None, description="Environment variable that holds the user name.")
    password_env: Name | None = Field(None, description="Environment variable that holds the password.")
    password_file: Name | None = Field(None, description="File with mode 600 that holds the password.")
    client_id: Name | None = Field(None, description="The client identifier; made up when it is not given.")
    topic: Topic | None = Field(
        None,
        description="Under it are the daemon's retained `status` and the topics of rules that name none; "
        "without it `biosignal-bridge/` and eight digits that no other daemon has.",
    )
    qos: Annotated[int, Field(ge=0, le=2)] = Field(
        0, description="Quality of service where a rule gives none."
    )

    @model_validator(mode="after")
    def _one_password(self) -> MqttOutput:
        if self.password_env and self.password_file:
            raise problem("the password has two places", "give `password_env` or `password_file`, not both")
        return self


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
