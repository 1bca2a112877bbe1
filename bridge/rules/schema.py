"""The whole rule file as models; the JSON Schema, the reference page and the loader all come from here.

Importing this loads pydantic: import it when a rule file is read, not at start-up. A key such as `from` that
Python keeps for itself is the attribute ``from_``. Durations are seconds, frequencies Hz.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from bridge.rules.conditions import Condition, LevelKind
from bridge.rules.deeds import Deeds, LevelDeeds, SafeDeeds
from bridge.rules.devices import (
    ChannelSpec,
    DetectorSpec,
    KeystrokesOutput,
    LogOutput,
    LslSource,
    MqttOutput,
    NetworkSource,
    OscOutput,
    OutputSpec,
    ReplaySource,
    SerialSource,
    SourceSpec,
    SyntheticSource,
)
from bridge.rules.strict import Name, Number, Seconds, Strict, Truth, Word, as_list
from bridge.rules.words import problem, shown

VERSION = 1
COOLDOWN_S = 0.1
MOST_RULES = 20_000
RULES_OUTPUT = "rules"  # where switches of mode and pause show up; no output may have this name

__all__ = [
    "ChannelSpec",
    "DetectorSpec",
    "KeystrokesOutput",
    "LevelRule",
    "LogOutput",
    "LslSource",
    "MqttOutput",
    "NetworkSource",
    "OscOutput",
    "OutputSpec",
    "RateLimit",
    "ReplaySource",
    "Rule",
    "RuleFile",
    "SerialSource",
    "SourceSpec",
    "SyntheticSource",
]


def _version(value: Any) -> int:
    if str(value) != str(VERSION):
        raise problem(
            f"this program reads version {VERSION}, not {shown(value)}", f"write `version: {VERSION}`"
        )
    return VERSION


def _output_name(value: Any) -> Any:
    if value == RULES_OUTPUT:
        raise problem(f"an output cannot be called `{RULES_OUTPUT}`", "choose another name")
    return value


Modes = Annotated[tuple[Word, ...], BeforeValidator(as_list, json_schema_input_type=Word | list[Word])]


class RateLimit(Strict):
    """At most so many firings in any stretch of time."""

    times: Annotated[int, Field(ge=1, le=1000)] = Field(description="How often.")
    within: Seconds = Field(description="In any stretch of this length.")


class Rule(Strict):
    """When something happens, do something."""

    name: Name = Field(description="What people read in the log; each rule its own.")
    when: Condition = Field(description="What the rule waits for.")
    then: Deeds = Field(description="What it does: one thing, or a list of things in order.")
    while_: Modes | None = Field(None, alias="while", description="Only while one of these modes is on.")
    wait: Truth | None = Field(
        None,
        description="Whether the rule waits while its event could become part of something larger. If not "
        "given it waits for rules with more `times` and for `together`; true waits for `sequence` too; "
        "false never waits.",
    )
    cooldown: Annotated[
        float, BeforeValidator(lambda value: _cooldown(value), json_schema_input_type=str)
    ] = Field(
        COOLDOWN_S, description="After it fired, deaf for this time; 100 ms if not given, `none` for none."
    )
    at_most: RateLimit | None = Field(None, description="A limit to how often it fires.")
    safe: SafeDeeds | None = Field(
        None, description="What to send on pause, signal loss and exit, to leave things safe."
    )
    window: Name | None = Field(
        None, description="Only while a window whose title has this text has the focus (X11; keys and mouse)."
    )


def _cooldown(value: Any) -> float:
    from bridge.rules.words import duration_s

    return 0.0 if value in ("none", 0.0) else duration_s(value)


class LevelRule(Strict):
    """Send a continuous value at a steady rate."""

    name: Name | None = Field(None, description="What people read in the log; the level's name if not given.")
    level: LevelKind = Field(description="Which level.")
    from_: Name | None = Field(
        None, alias="from", description="The detector or channel that it must come from."
    )
    every: Annotated[Seconds, Field(ge=0.01, le=3600)] = Field(description="How often it is sent.")
    while_: Modes | None = Field(None, alias="while", description="Only while one of these modes is on.")
    range: Annotated[tuple[Number, Number], Field()] | None = Field(
        None, description="The stretch of the level that is used; what lies outside counts as its end."
    )
    to: Annotated[tuple[Number, Number], Field()] | None = Field(
        None, description="What the range becomes; 0 to 1 if only `range` is given."
    )
    curve: Annotated[float, Field(ge=0.1, le=10)] = Field(
        1.0, description="Exponent over the range: 1 straight, 2 gentle at first, 0.5 steep at first."
    )
    dead_band: Annotated[Number, Field(ge=0)] = Field(
        0.0, description="Around 0, in the level's unit: what is smaller counts as 0."
    )
    smoothing: Seconds | None = Field(None, description="Time constant of a first-order smoothing.")
    then: LevelDeeds = Field(description="Where it goes: send, publish, mouse or duty.")
    safe: SafeDeeds | None = Field(None, description="What to send on pause, signal loss and exit.")
    window: Name | None = Field(
        None, description="Only while a window whose title has this text has the focus (X11; keys and mouse)."
    )

    @model_validator(mode="after")
    def _mapped(self) -> LevelRule:
        if self.range is not None and self.range[0] >= self.range[1]:
            raise problem(
                "the range's first number is not below its second", "swap them; turn `to` round instead"
            )
        if self.range is None and (self.to is not None or self.curve != 1.0):
            raise problem("`to` and `curve` need `range`", "add for example `range: [0, 1]`")
        return self


class RuleFile(Strict):
    """Everything the daemon needs: what comes in, what goes out, and the rules between."""

    version: Annotated[int, BeforeValidator(_version)] = Field(
        description="Of the file's format: 1.", json_schema_extra={"const": VERSION}
    )
    source: SourceSpec | None = Field(None, description="What the signal comes from.")
    sources: Annotated[dict[Word, SourceSpec], Field(max_length=16)] = Field(
        {}, description="Instead of `source`: several, by name."
    )
    outputs: Annotated[
        dict[Annotated[Word, BeforeValidator(_output_name)], OutputSpec], Field(max_length=64)
    ] = Field({}, description="Where actions go, by name.")
    detectors: Annotated[tuple[DetectorSpec, ...], Field(max_length=256)] = Field(
        (), description="Detectors that need channels, a name or settings of their own."
    )
    modes: Annotated[tuple[Word, ...], Field(max_length=100)] = Field(
        (), description="Names of modes; the first is on at the start."
    )
    rules: Annotated[tuple[Rule, ...], Field(max_length=MOST_RULES)] = Field((), description="The rules.")
    levels: Annotated[tuple[LevelRule, ...], Field(max_length=1000)] = Field(
        (), description="Continuous values that are sent on."
    )

    @model_validator(mode="after")
    def _one_source(self) -> RuleFile:
        if self.source is not None and self.sources:
            raise problem("both `source` and `sources` are given", "keep one of them")
        return self

    @property
    def all_sources(self) -> dict[str, SourceSpec]:
        """The sources by name; a single one has the empty name."""
        return {"": self.source} if self.source is not None else dict(self.sources)
