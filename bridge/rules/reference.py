"""The reference page of rule files: made from the models, with examples that the tests run."""

from __future__ import annotations

import types
import typing
from typing import Annotated, Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from bridge.detectors import EVENT_TYPES, LEVEL_TYPES
from bridge.detectors.kinds import ALWAYS, AT_END
from bridge.rules.examples import EXAMPLES
from bridge.rules.templates import COMMON_NAMES

_HEAD = """\
# Rule files: every field

Made from the program's own definitions by `biosignal-bridge rules reference`; the tests run every example.
Durations carry their unit (`700 ms`, `2 s`, `1 min`); shares may be written as `40 %`. Key names are the W3C
UI Events `key` values, with `Space` for the blank. `biosignal-bridge rules schema` prints the JSON Schema.
"""


_SWITCHES = """\
## Pause, resume, disarm

These stand alone, or in a list after what else is done: `then: pause`.

| word | what it does |
|---|---|
| `pause` | Lets go of everything, sends the safe values once, and stops every rule but those that resume. |
| `resume` | Ends a pause that a rule began. |
| `disarm` | Lets go of every key and presses none until a person arms again. |

`pause` works disarmed, in a dry run and without any output. A pause by hand (the page, the pause key,
`biosignal-bridge pause`, SIGUSR1) is a person's stop: no `resume` of a rule ends it. After `disarm`, OSC and
MQTT go on; `biosignal-bridge arm`, the page, or a start with `--armed` arms again. No rule can arm.

```yaml
rules:
  - {name: Stop, when: {event: contraction, lasting: 2 s}, then: pause}
  - {name: Go on, when: {event: contraction, lasting: 2 s}, then: resume}
  - {name: Hands off, when: {event: long-closure, lasting: 4 s}, then: disarm}
```
"""


def reference() -> str:
    """The page, in Markdown."""
    parts = [_HEAD]
    for model, (slot, examples) in EXAMPLES.items():
        parts.append(f"## {_title(model)}\n\n{' '.join((model.__doc__ or '').split())}\n")
        rows = ["| field | needed | what it is |", "|---|---|---|"]
        for name, field in model.model_fields.items():
            needed = "yes" if field.is_required() else f"no{_default(field)}"
            text = " ".join((field.description or _words_of(field.annotation)).split()).replace("|", "\\|")
            rows.append(f"| `{field.alias or name}` | {needed} | {text} |")
        parts.append("\n".join(rows) + "\n")
        shown = [_shown(slot, example) for example in examples]
        blocks = shown if slot == "file" else ["\n".join(shown)]
        parts.extend(f"```yaml\n{block}\n```\n" for block in blocks)
    return "\n".join([*parts, _events(), _levels(), _SWITCHES])


def _events() -> str:
    rows = [
        "## Events and their values",
        "",
        "What `event` may name, and the values that come with it, for `values` and for places in texts.",
        f"Every text may also use {', '.join(f'`{name}`' for name in COMMON_NAMES)}.",
        "",
        "| event | what it is | comes as | values |",
        "|---|---|---|---|",
    ]
    for type_ in EVENT_TYPES.values():
        values = []
        for name, quantity in type_.values.items():
            unit = f" ({quantity.unit})" if quantity.unit else ""
            when = "" if quantity.edges == ALWAYS else ", with the end" if quantity.edges == AT_END else ""
            values.append(f"`{name}`: {quantity.meaning}{unit}{when}")
        comes = "start and end" if type_.lasts else "instant"
        rows.append(f"| `{type_.kind}` | {type_.noun} | {comes} | {'; '.join(values) or 'none'} |")
    return "\n".join(rows) + "\n"


def _levels() -> str:
    rows = ["## Levels", "", "| level | unit | back by this much, a crossing is over |", "|---|---|---|"]
    rows.extend(
        f"| `{type_.kind}` | {type_.unit or 'share, from 0 to 1'} | {type_.hysteresis:g} |"
        for type_ in LEVEL_TYPES.values()
    )
    return "\n".join(rows) + "\n"


def _title(model: type[BaseModel]) -> str:
    words = "".join(f" {letter.lower()}" if letter.isupper() else letter for letter in model.__name__).strip()
    return words[0].upper() + words[1:].replace(" spec", "").replace(" do", "")


def _default(field: FieldInfo) -> str:
    if field.default is None or field.default in ((), {}, ""):
        return ""
    value = field.default
    return f", else `{str(value).lower() if isinstance(value, bool) else value}`"


def _words_of(annotation: Any) -> str:
    """For fields whose name says it: the words they may have."""
    origin = typing.get_origin(annotation)
    if origin is Annotated:
        return _words_of(typing.get_args(annotation)[0])
    if origin is typing.Literal:
        return ", ".join(f"`{word}`" for word in typing.get_args(annotation))
    if origin in (typing.Union, types.UnionType):
        return ", ".join(filter(None, map(_words_of, typing.get_args(annotation))))
    return ""


def _shown(slot: str, example: str) -> str:
    key = {"source": "source: ", "when": "when: ", "then": "then: "}.get(slot, "")
    lead = {"rule": "- ", "level": "- ", "detector": "- ", "output": "name: "}.get(slot, key)
    return lead + example.replace("\n  - ", "\n- ") if slot == "rule" else lead + example
