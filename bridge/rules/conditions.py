"""Models of `when`: what a rule waits for."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag, WithJsonSchema, model_validator

from bridge.detectors import EVENT_TYPES, LEVEL_TYPES
from bridge.rules.strict import Name, Number, Seconds, Strict, Truth, only
from bridge.rules.words import problem, suggestion
from bridge.signals.types import Edge


def _event_kind(value: Any) -> str:
    return only(value, EVENT_TYPES, "event")


def _level_kind(value: Any) -> str:
    return only(value, LEVEL_TYPES, "level")


def _value_name(value: Any) -> str:
    return only(value, [name for type_ in EVENT_TYPES.values() for name in type_.values], "value")


EventKind = Annotated[
    str, BeforeValidator(_event_kind), WithJsonSchema({"type": "string", "enum": list(EVENT_TYPES)})
]
LevelKind = Annotated[
    str, BeforeValidator(_level_kind), WithJsonSchema({"type": "string", "enum": list(LEVEL_TYPES)})
]
ValueName = Annotated[str, BeforeValidator(_value_name)]


class Bounds(Strict):
    """Between what a value must lie."""

    above: Number | None = Field(None, description="More than this.")
    below: Number | None = Field(None, description="Less than this.")

    @model_validator(mode="after")
    def _any(self) -> Bounds:
        if self.above is None and self.below is None:
            raise problem("neither `above` nor `below` is given", "give one of them or both")
        if self.above is not None and self.below is not None and self.above >= self.below:
            raise problem("`above` is not less than `below`: no value can be there", "swap them")
        return self


class EventFilter(Strict):
    """Which events count: the kind, and where asked for its edge, origin and values."""

    event: EventKind = Field(description="The kind of event.")
    edge: Literal["start", "end"] | None = Field(
        None, description="`end` waits for the end of a state; without it its start counts."
    )
    from_: Name | None = Field(
        None, alias="from", description="The detector or channel that it must come from."
    )
    deliberate: Truth | None = Field(
        None, description="Blinks: true takes only meant ones, false only others."
    )
    stronger_than: Number | None = Field(
        None,
        description="Blinks: more than this many times the person's usual one. Contractions: level above.",
    )
    values: dict[ValueName, Bounds] = Field(
        {}, description="Bounds for the numbers that come with the event."
    )

    @model_validator(mode="after")
    def _fits(self) -> EventFilter:
        type_ = EVENT_TYPES[self.event]
        if self.edge is not None and not type_.lasts:
            raise problem(f"a {self.event} is an instant: it has no start or end", "leave `edge` out")
        if self.deliberate is not None and "deliberate" not in type_.values:
            raise problem(
                f"only blinks are deliberate or not, a {self.event} is not", "leave `deliberate` out"
            )
        if self.stronger_than is not None and not type_.strength:
            raise problem(
                f"a {self.event} has no strength", "leave `stronger_than` out, or give bounds in `values`"
            )
        for name in self.values:
            if name not in self.measured:
                raise problem(
                    f"{self.wording} has no value `{name}`: the rule could never fire", self.instead_of(name)
                )
        return self

    @property
    def counted_edge(self) -> Edge:
        """The edge that the rule waits for."""
        return self.edge or ("start" if EVENT_TYPES[self.event].lasts else "instant")

    @property
    def measured(self) -> tuple[str, ...]:
        """The values that come with what the rule waits for."""
        return EVENT_TYPES[self.event].values_at(self.counted_edge)

    @property
    def wording(self) -> str:
        """What the rule waits for, in a message."""
        return (
            f"the {self.counted_edge} of `{self.event}`"
            if EVENT_TYPES[self.event].lasts
            else f"`{self.event}`"
        )

    def instead_of(self, name: str) -> str:
        """What to write for a value that is not there."""
        if name in EVENT_TYPES[self.event].values:
            return "it comes with the end: write `edge: end`"
        return suggestion(name, self.measured) if self.measured else "it comes with no number at all"


class EventCondition(EventFilter):
    """One event, some number of times, or one that lasts."""

    times: Annotated[int, Field(ge=2, le=20)] | None = Field(
        None, description="So many events; needs `within`. Rules that want fewer of the same wait meanwhile."
    )
    within: Seconds | None = Field(None, description="From the first to the last of `times`.")
    lasting: Seconds | None = Field(
        None, description="The state must last this long first (acceptance time)."
    )
    release: Seconds | None = Field(
        None, description="The state must be gone this long before it counts as ended (release time)."
    )

    @model_validator(mode="after")
    def _timing(self) -> EventCondition:
        if self.times is not None and self.within is None:
            raise problem("`times` needs `within`", "add for example `within: 700 ms`")
        if self.within is not None and self.times is None:
            raise problem("`within` needs `times`", "add for example `times: 2`")
        for word in ("lasting", "release"):
            if getattr(self, word) is None:
                continue
            if not EVENT_TYPES[self.event].lasts:
                raise problem(
                    f"a {self.event} is an instant: `{word}` can never come true", f"leave `{word}` out"
                )
            if self.edge == "end" or self.times is not None:
                raise problem(f"`{word}` does not go with `times` or `edge: end`", "use two rules")
        return self


class SequenceCondition(Strict):
    """Events one after the other."""

    sequence: Annotated[tuple[EventFilter, ...], Field(min_length=2, max_length=10)] = Field(
        description="Events in their order; others between them do not matter."
    )
    within: Seconds = Field(description="From the first to the last.")


class TogetherCondition(Strict):
    """Events at about the same time, in any order."""

    together: Annotated[tuple[EventFilter, ...], Field(min_length=2, max_length=6)] = Field(
        description="Events that come together, in any order."
    )
    within: Seconds = Field(0.3, description="How far apart they may be; 300 ms if not given.")

    @model_validator(mode="after")
    def _different(self) -> TogetherCondition:
        if len(set(map(repr, self.together))) < len(self.together):
            raise problem("the same event stands twice in `together`", "use `times: 2` for two of the same")
        return self


class LevelCondition(Strict):
    """A level that crosses a threshold; it is over when the level has come back past `until`."""

    level: LevelKind = Field(description="Which level.")
    from_: Name | None = Field(
        None, alias="from", description="The detector or channel that it must come from."
    )
    above: Number | None = Field(None, description="Fires when the level rises above this.")
    below: Number | None = Field(None, description="Fires when the level falls below this.")
    until: Number | None = Field(
        None,
        description="Where it is over again (hysteresis); if not given, back by "
        + ", ".join(
            f"{type_.hysteresis:g} {type_.unit}".rstrip() + f" for {kind}"
            for kind, type_ in LEVEL_TYPES.items()
        )
        + ".",
    )
    lasting: Seconds | None = Field(None, description="It must stay there this long first.")
    release: Seconds | None = Field(None, description="It must be back this long before it is over.")

    @model_validator(mode="after")
    def _direction(self) -> LevelCondition:
        if (self.above is None) == (self.below is None):
            raise problem("a level needs either `above` or `below`", "give one of them")
        threshold = self.above if self.above is not None else self.below
        assert threshold is not None
        if self.until is not None:
            if self.above is not None and self.until > threshold:
                raise problem("`until` is higher than `above`", "it must be at most the same")
            if self.below is not None and self.until < threshold:
                raise problem("`until` is lower than `below`", "it must be at least the same")
        type_ = LEVEL_TYPES[self.level]
        if type_.highest is not None and self.above is not None and threshold >= type_.highest:
            raise problem(
                f"{self.level} goes to {type_.highest:g} and never gets there: the rule could never fire",
                "lower `above`" if type_.unit else "write a share such as `40 %` or `0.4`",
            )
        if type_.lowest is not None and self.below is not None and threshold <= type_.lowest:
            what = f"{self.level} is never below {type_.lowest:g}: the rule could never fire"
            raise problem(what, "raise `below`")
        if type_.lowest is not None and self.above is not None and threshold < type_.lowest:
            what = f"{self.level} is never below {type_.lowest:g}: the rule would always be on"
            raise problem(what, "raise `above`")
        return self

    @property
    def threshold(self) -> float:
        """The threshold of either direction."""
        found = self.above if self.above is not None else self.below
        assert found is not None
        return found

    @property
    def back(self) -> float:
        """Where the crossing is over."""
        if self.until is not None:
            return self.until
        step = LEVEL_TYPES[self.level].hysteresis
        return self.threshold - step if self.above is not None else self.threshold + step


def _short_filter(value: Any) -> Any:
    """`no: blink` is short for `no: {event: blink}`."""
    return {"event": value} if isinstance(value, str) else value


class AbsenceCondition(Strict):
    """An event that does not come; fires once, and again only after the event has come."""

    no: Annotated[
        EventFilter, BeforeValidator(_short_filter, json_schema_input_type=EventKind | EventFilter)
    ] = Field(description="The event that stays away.")
    for_: Seconds = Field(alias="for", description="How long it must stay away.")


CONDITION_WORDS = ("event", "sequence", "together", "level", "no")


def _form(value: Any) -> str | None:
    if isinstance(value, dict):
        for word in CONDITION_WORDS:
            if word in value:
                return f"when:{word}"
    return None


def no_condition(value: Any) -> tuple[str, str]:
    """What to say when `when` has none of its words."""
    if not isinstance(value, dict):
        return "a condition is needed here", "write for example `{event: blink, deliberate: true}`"
    for key in value:
        close = suggestion(str(key), CONDITION_WORDS)
        if close.startswith("did you mean"):
            return f"unknown key `{key!s:.40}` in a condition", close
    return "the condition does not say what to wait for", f"begin with one of: {', '.join(CONDITION_WORDS)}"


Condition = Annotated[
    Annotated[EventCondition, Tag("when:event")]
    | Annotated[SequenceCondition, Tag("when:sequence")]
    | Annotated[TogetherCondition, Tag("when:together")]
    | Annotated[LevelCondition, Tag("when:level")]
    | Annotated[AbsenceCondition, Tag("when:no")],
    Discriminator(_form),
]
