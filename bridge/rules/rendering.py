"""From what a rule file says to what an output is told, with the values of the moment put in."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Any, Final

from bridge.rules.actions import Act, Mouse, Note, Press, Publish, SendBundle, SendOsc, TypeText
from bridge.rules.deeds import Mouse as MouseDeed
from bridge.rules.deeds import Note as NoteDeed
from bridge.rules.deeds import Press as PressDeed
from bridge.rules.deeds import Publish as PublishDeed
from bridge.rules.deeds import Send as SendDeed
from bridge.rules.deeds import TypedArgument
from bridge.rules.deeds import TypeText as TypeDeed
from bridge.rules.templates import Template, Values, parse

_INT32: Final = 2**31 - 1
_MOST_PIXELS: Final = 10_000


@lru_cache(maxsize=1024)
def template(text: str) -> Template:
    return parse(text)


class Whole:
    """Fractions of pixels and notches that are saved until they make a whole one."""

    def __init__(self) -> None:
        self._rest: dict[str, float] = {}

    def take(self, axis: str, amount: float) -> int:
        total = self._rest.get(axis, 0.0) + max(-_MOST_PIXELS, min(_MOST_PIXELS, amount))
        whole = int(total)
        self._rest[axis] = total - whole
        return whole


def render(deed: Any, values: Values, *, qos: int = 0, whole: Whole | None = None) -> Act | None:
    """What the output is told, or None when a value that the deed needs is not there.

    ``qos`` is that of the output, for publications that name none.
    """
    kind = type(deed)  # isinstance() of a pydantic model runs Python code
    if kind is SendDeed:
        return _osc(deed, values)
    if kind is PublishDeed:
        return _publication(deed, values, qos)
    if kind is PressDeed:
        return Press(deed.press)
    if kind is TypeDeed:
        return _made(deed.type, values, TypeText)
    if kind is NoteDeed:
        return _made(deed.note, values, Note)
    if kind is MouseDeed:
        return _mouse(deed, values, whole or Whole())
    raise TypeError(f"{kind.__name__} is not rendered")


def _made(text: str, values: Values, make: Callable[[str], Act]) -> Act | None:
    filled = template(text).render(values)
    return make(filled) if filled else None


def _publication(deed: PublishDeed, values: Values, qos: int) -> Act | None:
    spec = deed.publish
    payload = None
    if spec.payload is not None:
        payload = template(spec.payload).render(values)
        if payload is None:
            return None
    return Publish(spec.topic, payload, qos if spec.qos is None else spec.qos, spec.retain)


def _osc(deed: SendDeed, values: Values) -> Act | None:
    spec = deed.send
    if spec.bundle is None:
        assert spec.address is not None
        return _message(spec.address, spec.arguments, values)
    messages = []
    for part in spec.bundle:
        message = _message(part.address, part.arguments, values)
        if message is None:
            return None
        messages.append(message)
    return SendBundle(tuple(messages))


def _message(address: str, arguments: Iterable[Any], values: Values) -> SendOsc | None:
    filled = []
    for argument in arguments:
        value = _typed(argument, values) if type(argument) is TypedArgument else _free(argument, values)
        if value is None:
            return None
        filled.append(value)
    return SendOsc(address, tuple(filled))


def _free(argument: float | int | str | bool, values: Values) -> float | int | str | bool | None:
    if not isinstance(argument, str):
        return argument
    parsed = template(argument)
    return values.get(parsed.lone) if parsed.lone else parsed.render(values)


def _typed(argument: TypedArgument, values: Values) -> float | int | str | None:
    text = argument.float or argument.int or argument.string or ""
    parsed = template(text)
    if argument.string is not None:
        return parsed.render(values)
    number = values.get(parsed.lone) if parsed.lone else float(text)
    if number is None or isinstance(number, str):
        return None
    if argument.float is not None:
        return float(number)
    return max(-_INT32 - 1, min(_INT32, round(number)))


def _mouse(deed: MouseDeed, values: Values, whole: Whole) -> Act | None:
    amounts: dict[str, int] = {"dx": 0, "dy": 0, "scroll_x": 0, "scroll_y": 0}
    for part, x, y in (("move", "dx", "dy"), ("scroll", "scroll_x", "scroll_y")):
        spec = getattr(deed.mouse, part)
        for name, axis in ((x, "x"), (y, "y")):
            given = getattr(spec, axis, 0.0)
            amount = values.get(template(given).lone) if isinstance(given, str) else given
            if amount is None or isinstance(amount, str):
                return None
            amounts[name] = whole.take(name, amount)
    clicks = deed.mouse.times if deed.mouse.click else 0
    if not clicks and not any(amounts.values()):
        return None
    return Mouse(button=deed.mouse.click or "", clicks=clicks, **amounts)
