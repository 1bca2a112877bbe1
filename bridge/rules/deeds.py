"""Models of `then`: what a rule does."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag, model_validator

from bridge.rules.addresses import osc_address_problem
from bridge.rules.devices import Topic
from bridge.rules.strict import Keys, Name, Seconds, Strict, TemplateText, Truth, as_list
from bridge.rules.templates import TemplateError, parse
from bridge.rules.words import Plain, number, problem, scalar, shown, suggestion

HOLD_LIMIT_S = 30.0
TOGGLE_LIMIT_S = 300.0
LONGEST_HOLD_S = 3600.0
SHORTEST_INTERVAL_S = 0.02
LONGEST_WAIT_S = 60.0
_FARTHEST = 2000


class _Keyed(Strict):
    output: Name | None = Field(None, description="Which output, where several fit.")


class Press(_Keyed):
    """Press keys and let go at once."""

    press: Keys = Field(description="A key, or several together such as `Control+c`.")


class HeldKeys(Strict):
    """Keys that stay down."""

    keys: Keys = Field(description="The keys.")
    for_: Seconds | None = Field(None, alias="for", description="Let go after this time, whatever happens.")
    limit: Seconds | None = Field(
        None, description="Let go at the latest after this time; 30 s for `hold`, 5 min for `toggle`."
    )

    @model_validator(mode="after")
    def _bounded(self) -> HeldKeys:
        if (self.limit or 0) > LONGEST_HOLD_S or (self.for_ or 0) > LONGEST_HOLD_S:
            raise problem("a key is held for an hour at most", "shorten `limit`")
        return self


def _held(value: Any) -> Any:
    return {"keys": value} if isinstance(value, str | list | tuple) else value


class Hold(_Keyed):
    """Keep keys down until the event ends."""

    hold: Annotated[HeldKeys, BeforeValidator(_held, json_schema_input_type=str | list[str] | HeldKeys)] = (
        Field(
            description="A key, or `{keys, limit}`; let go when the event ends, on signal loss, pause, exit."
        )
    )


class Toggle(_Keyed):
    """The first time keys go down, the next time they come up."""

    toggle: Annotated[HeldKeys, BeforeValidator(_held, json_schema_input_type=str | list[str] | HeldKeys)] = (
        Field(description="A key, or `{keys, limit}`; down at the first event, up at the next.")
    )


class TypeText(_Keyed):
    """Type a text."""

    type: Annotated[TemplateText, Field(max_length=500)] = Field(
        description="The text; may have places for values."
    )


class RepeatedKeys(Strict):
    """Keys that are pressed again and again while the event lasts."""

    keys: Keys = Field(description="The keys.")
    delay: Seconds = Field(0.5, description="Until the second press; 500 ms if not given.")
    interval: Annotated[Seconds, Field(ge=SHORTEST_INTERVAL_S)] = Field(
        0.1, description="Between the presses after that; 100 ms if not given."
    )
    limit: Seconds = Field(
        HOLD_LIMIT_S, description="Stops at the latest after this time; 30 s if not given."
    )

    @model_validator(mode="after")
    def _bounded(self) -> RepeatedKeys:
        if self.limit > LONGEST_HOLD_S:
            raise problem("keys repeat for an hour at most", "shorten `limit`")
        return self


class Repeat(_Keyed):
    """Press keys again and again until the event ends."""

    repeat: Annotated[
        RepeatedKeys, BeforeValidator(_held, json_schema_input_type=str | list[str] | RepeatedKeys)
    ] = Field(description="A key, or `{keys, delay, interval, limit}`.")


def _pixels(value: Any) -> Any:
    """A number, or a text whose only content is a place for a value."""
    if isinstance(value, str) and "{" in value:
        try:
            template = parse(value)
        except TemplateError as error:
            raise problem(error.what, error.mend) from error
        if not template.lone:
            raise problem(f"{shown(value)} is not one value", 'write a number or one place such as "{value}"')
        return str(value)
    amount = number(value)
    if abs(amount) > _FARTHEST:
        raise problem(f"{amount:g} is too far", f"at most {_FARTHEST} at once")
    return amount


Pixels = Annotated[float | str, BeforeValidator(_pixels, json_schema_input_type=float | str)]


class Move(Strict):
    """Pixels right and down, or notches right and up for scrolling."""

    x: Pixels = Field(0.0, description="To the right; may be a place such as `{value}`.")
    y: Pixels = Field(0.0, description="Down (up for scrolling); may be a place such as `{value}`.")


class MouseDo(Strict):
    """What the mouse does; in this order: move, click, scroll."""

    move: Move | None = Field(None, description="Move by so many pixels.")
    click: Literal["left", "middle", "right"] | None = Field(None, description="Click this button.")
    times: Annotated[int, Field(ge=1, le=3)] = Field(1, description="How many clicks.")
    scroll: Move | None = Field(None, description="Scroll by so many notches.")

    @model_validator(mode="after")
    def _something(self) -> MouseDo:
        if self.move is None and self.click is None and self.scroll is None:
            raise problem("the mouse is told nothing", "give `move`, `click` or `scroll`")
        return self


class Mouse(_Keyed):
    """Move, click or scroll the mouse."""

    mouse: MouseDo = Field(description="What it does: `{move: {x, y}}`, `{click: left}`, `{scroll: {y}}`.")


def _address(value: Any) -> str:
    wrong = (
        osc_address_problem(value)
        if isinstance(value, str)
        else f"an OSC address is needed, not {shown(value)}"
    )
    if wrong:
        raise problem(wrong, "write an address such as `/steer`")
    return str(value)


OscAddress = Annotated[str, BeforeValidator(_address, json_schema_input_type=str)]


# A text with places for values, or a number as it stands.
NumberOrText = Annotated[
    TemplateText,
    BeforeValidator(
        lambda value: str(value) if isinstance(value, int | float) else value,
        json_schema_input_type=str | float,
    ),
]


class TypedArgument(Strict):
    """An OSC argument whose type is said."""

    float: NumberOrText | None = Field(None, description="OSC type f; a number or one place for a value.")
    int: NumberOrText | None = Field(None, description="OSC type i; values are rounded.")
    string: NumberOrText | None = Field(None, description="OSC type s.")

    @model_validator(mode="after")
    def _one(self) -> TypedArgument:
        given = [name for name in ("float", "int", "string") if getattr(self, name) is not None]
        if len(given) != 1:
            raise problem("an argument has one type", "write for example `{int: 3}`")
        if given[0] != "string":
            text = getattr(self, given[0])
            if not parse(text).lone:
                number(Plain(text))
        return self


def _argument(value: Any) -> Any:
    """Numbers and true/false as they stand, texts checked as templates."""
    plain = scalar(value)
    if isinstance(plain, str):
        try:
            parse(plain)
        except TemplateError as error:
            raise problem(error.what, error.mend) from error
    elif isinstance(plain, int) and not isinstance(plain, bool) and not -(2**31) <= plain < 2**31:
        raise problem(f"{plain} does not fit an OSC int32", "write it as a float, with a decimal point")
    return plain


def _argument_form(value: Any) -> str:
    return "argument:typed" if isinstance(value, dict | TypedArgument) else "argument:plain"


FreeArgument = Annotated[
    float | int | bool | str,
    BeforeValidator(_argument, json_schema_input_type=float | int | bool | str),
]
Argument = Annotated[
    Annotated[TypedArgument, Tag("argument:typed")] | Annotated[FreeArgument, Tag("argument:plain")],
    Discriminator(_argument_form),
]
Arguments = Annotated[tuple[Argument, ...], Field(max_length=64)]


class OscMessage(Strict):
    """One OSC message."""

    address: OscAddress = Field(description="Where it goes in the receiver, such as `/steer`.")
    arguments: Arguments = Field(
        (), description='Numbers, texts, true/false; a lone place such as "{value}" sends the number.'
    )


class OscSend(Strict):
    """A message, or a bundle of messages."""

    output: Name | None = Field(None, description="Which output, where several fit.")
    address: OscAddress | None = Field(None, description="Where it goes in the receiver, such as `/steer`.")
    arguments: Arguments = Field(
        (), description='Numbers, texts, true/false; a lone place such as "{value}" sends the number.'
    )
    bundle: Annotated[tuple[OscMessage, ...], Field(min_length=1, max_length=32)] | None = Field(
        None, description="Several messages that belong together, instead of `address`."
    )

    @model_validator(mode="after")
    def _one(self) -> OscSend:
        if (self.address is None) == (self.bundle is None):
            raise problem("OSC needs either an `address` or a `bundle`", "give one of them")
        if self.bundle is not None and self.arguments:
            raise problem("a `bundle` has its arguments in its messages", "move `arguments` there")
        return self


class Send(Strict):
    """Send OSC."""

    send: OscSend = Field(description="The message: `{address, arguments}` or `{bundle}`.")


class MqttPublish(Strict):
    """One MQTT publication."""

    output: Name | None = Field(None, description="Which output, where several fit.")
    topic: Topic | None = Field(
        None, description="The topic; else `events/KIND` or `levels/KIND` below the output's own `topic`."
    )
    payload: Annotated[str | None, BeforeValidator(lambda value: _payload(value))] = Field(
        None, description="A text with places for values; without it the event as CloudEvents JSON."
    )
    qos: Annotated[int, Field(ge=0, le=2)] | None = Field(None, description="Else the output's own.")
    retain: Truth = Field(False, description="Keep it at the broker; not for momentary events.")


def _payload(value: Any) -> str | None:
    if value is None:
        return None
    if not isinstance(value, str | int | float):
        raise problem(f"a text is needed, not {shown(value)}", 'put the payload in quotes; JSON as "{{…}}"')
    try:
        parse(str(value))
    except TemplateError as error:
        raise problem(error.what, error.mend) from error
    return str(value)


class Publish(Strict):
    """Publish over MQTT."""

    publish: MqttPublish = Field(description="The publication: `{topic, payload, qos, retain}`.")


class Note(_Keyed):
    """Write a line in the log."""

    note: TemplateText = Field(description="The line; may have places for values.")


class SwitchMode(Strict):
    """Switch to another mode."""

    mode: Name = Field(description="One of `modes`.")


class Wait(Strict):
    """Let time pass before what follows in the list."""

    wait: Annotated[Seconds, Field(le=LONGEST_WAIT_S)] = Field(description="How long; at most 1 min.")


SWITCHES = ("pause", "resume", "disarm")


def _switch(value: Any) -> str:
    if value == "arm":
        raise problem(
            "no rule can arm: that is for a person to do", "use `biosignal-bridge arm`, the page, or --armed"
        )
    if value not in SWITCHES:
        raise problem(f"{shown(value)} is not something to do", suggestion(str(value), SWITCHES))
    return str(value)


Switch = Annotated[
    Literal["pause", "resume", "disarm"],
    BeforeValidator(_switch, json_schema_input_type=Literal["pause", "resume", "disarm"]),
]

DEED_WORDS = ("press", "hold", "toggle", "type", "repeat", "mouse", "send", "publish", "note", "mode", "wait")
LEVEL_DEED_WORDS = ("send", "publish", "mouse", "duty")


def _form(value: Any) -> str | None:
    if isinstance(value, str):
        return "then:switch"
    if isinstance(value, dict):
        for word in (*DEED_WORDS, "duty"):
            if word in value:
                return f"then:{word}"
    return None


def no_deed(value: Any, words: tuple[str, ...]) -> tuple[str, str]:
    """What to say when a deed has none of its words."""
    if not isinstance(value, dict):
        return "something to do is needed here", "write for example `{press: PageDown}`"
    for key in value:
        if key in SWITCHES:
            return f"`{key}` stands alone, without a colon", f"write `then: {key}`, or `- {key}` in a list"
        close = suggestion(str(key), words)
        if close.startswith("did you mean"):
            return f"unknown key `{key!s:.40}` in what to do", close
    return "it does not say what to do", f"begin with one of: {', '.join(words)}"


Deed = Annotated[
    Annotated[Press, Tag("then:press")]
    | Annotated[Hold, Tag("then:hold")]
    | Annotated[Toggle, Tag("then:toggle")]
    | Annotated[TypeText, Tag("then:type")]
    | Annotated[Repeat, Tag("then:repeat")]
    | Annotated[Mouse, Tag("then:mouse")]
    | Annotated[Send, Tag("then:send")]
    | Annotated[Publish, Tag("then:publish")]
    | Annotated[Note, Tag("then:note")]
    | Annotated[SwitchMode, Tag("then:mode")]
    | Annotated[Wait, Tag("then:wait")]
    | Annotated[Switch, Tag("then:switch")],
    Discriminator(_form),
]
Deeds = Annotated[
    tuple[Deed, ...],
    Field(min_length=1, max_length=20),
    BeforeValidator(as_list, json_schema_input_type=Deed | list[Deed]),
]
SafeDeed = Annotated[
    Annotated[Send, Tag("then:send")] | Annotated[Publish, Tag("then:publish")], Discriminator(_form)
]
SafeDeeds = Annotated[
    tuple[SafeDeed, ...],
    Field(min_length=1, max_length=20),
    BeforeValidator(as_list, json_schema_input_type=SafeDeed | list[SafeDeed]),
]


class DutyKeys(Strict):
    """Keys that are down for a share of each period: at 0 never, at 1 always."""

    keys: Keys = Field(description="The keys.")
    period: Annotated[Seconds, Field(ge=0.1, le=10.0)] = Field(
        0.5, description="How long a period is; 500 ms if not given."
    )


class Duty(_Keyed):
    """Hold keys for a share of the time, as the level says (0 to 1 after `to`)."""

    duty: Annotated[DutyKeys, BeforeValidator(_held, json_schema_input_type=str | list[str] | DutyKeys)] = (
        Field(description="A key, or `{keys, period}`.")
    )


LevelDeed = Annotated[
    Annotated[Send, Tag("then:send")]
    | Annotated[Publish, Tag("then:publish")]
    | Annotated[Mouse, Tag("then:mouse")]
    | Annotated[Duty, Tag("then:duty")],
    Discriminator(_form),
]
LevelDeeds = Annotated[
    tuple[LevelDeed, ...],
    Field(min_length=1, max_length=10),
    BeforeValidator(as_list, json_schema_input_type=LevelDeed | list[LevelDeed]),
]
