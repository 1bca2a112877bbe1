"""The base of all models of a rule file, and the kinds of fields they share."""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from bridge.rules.keys import key_problem, split_keys
from bridge.rules.templates import TemplateError, parse
from bridge.rules.words import Unknown, duration_s, number, problem, scalar, shown, suggestion, truth

LONGEST_NAME = 100
MOST_KEYS = 6


class Strict(BaseModel):
    """Frozen, no unknown keys, no infinities. An unknown key's value becomes an ``Unknown``."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, hide_input_in_errors=True)

    @model_validator(mode="before")
    @classmethod
    def _mark_unknown(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        known = known_keys(cls)
        if all(key in known for key in data):
            return data
        return {key: value if key in known else Unknown(value, known) for key, value in data.items()}


def known_keys(model: type[BaseModel]) -> tuple[str, ...]:
    """The keys of a model as the file spells them."""
    return tuple(field.alias or name for name, field in model.model_fields.items())


def only(keys: Any, known: Collection[str], what: str) -> str:
    """One of ``known``; used by fields whose words are many."""
    if not isinstance(keys, str):
        raise problem(f"the name of {what} is needed, not {shown(keys)}", suggestion("", known))
    word = str(keys)
    if word not in known:
        raise problem(f"there is no {what} {shown(word)}", suggestion(word, known))
    return word


def _name(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise problem(f"a name is needed, not {shown(value)}", "write a short text")
    if len(value) > LONGEST_NAME or not value.isprintable():
        raise problem(f"the name {shown(value)} is too long or holds control characters", "shorten it")
    return str(value).strip()


def _word(value: Any) -> str:
    name = _name(value)
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", name):
        raise problem(
            f"{shown(name)} is not a plain word", "use letters, digits, `-` and `_`, a letter first"
        )
    return name


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise problem(f"a text is needed, not {shown(value)}", "put it in quotes")
    return str(value)


def _template(value: Any) -> str:
    text = _text(value)
    try:
        parse(text)
    except TemplateError as error:
        raise problem(error.what, error.mend) from error
    return text


def one_key(value: Any) -> str:
    """A key name of the W3C list. Raises the error that the loader shows."""
    if not isinstance(value, str):
        raise problem(f"a key name is needed, not {shown(value)}", "write a key such as `PageDown` or `a`")
    wrong = key_problem(str(value))
    if wrong:
        raise problem(*wrong)
    return str(value)


def _keys(value: Any) -> Any:
    """`Control+c`, or a list of keys; pressed in order, let go in reverse."""
    if isinstance(value, str):
        parts: tuple[Any, ...] = split_keys(value)
    elif isinstance(value, list | tuple):
        parts = tuple(value)
    else:
        raise problem(f"a key is needed, not {shown(value)}", "write a key such as `PageDown` or `Control+c`")
    if not parts:
        raise problem("the list of keys is empty", "name at least one key")
    if len(parts) > MOST_KEYS:
        raise problem(f"{len(parts)} keys at once are too many", f"use at most {MOST_KEYS}")
    keys = tuple(one_key(part) for part in parts)
    if len(set(keys)) != len(keys):
        raise problem("the same key is named twice", "name each key once")
    return keys


def _list(value: Any) -> Any:
    return list(value) if isinstance(value, list | tuple) else [value]


DURATION_PATTERN = r"^(\d+(\.\d*)?|\.\d+)\s*(ms|s|min|h)$"
NUMBER_PATTERN = r"^[+-]?(\d+(\.\d*)?|\.\d+)\s*%$"

Seconds = Annotated[
    float,
    BeforeValidator(duration_s, json_schema_input_type=Annotated[str, Field(pattern=DURATION_PATTERN)]),
]
Number = Annotated[
    float,
    BeforeValidator(number, json_schema_input_type=float | Annotated[str, Field(pattern=NUMBER_PATTERN)]),
]
Truth = Annotated[bool, BeforeValidator(truth, json_schema_input_type=bool)]
Name = Annotated[str, BeforeValidator(_name, json_schema_input_type=Annotated[str, Field(min_length=1)])]
Word = Annotated[str, BeforeValidator(_word, json_schema_input_type=Annotated[str, Field(min_length=1)])]
Text = Annotated[str, BeforeValidator(_text, json_schema_input_type=str)]
TemplateText = Annotated[str, BeforeValidator(_template, json_schema_input_type=str)]
Scalar = Annotated[
    float | int | str | bool, BeforeValidator(scalar, json_schema_input_type=float | int | str | bool)
]
Keys = Annotated[tuple[str, ...], BeforeValidator(_keys, json_schema_input_type=str | list[str])]
Key = Annotated[str, BeforeValidator(one_key, json_schema_input_type=str)]
as_list = _list
