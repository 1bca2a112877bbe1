"""The reference page of rule files: made from the models, with examples that the tests run."""

from __future__ import annotations

import types
import typing
from typing import Annotated, Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from bridge.rules.examples import EXAMPLES

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
| `pause` | Lets go of everything, sends the safe values once, and stops every rule but those that resume. \
It works disarmed, in a dry run and without any output. |
| `resume` | Ends a pause that a rule began. A pause by hand (the page, the pause key, \
`biosignal-bridge pause`, SIGUSR1) is a person's stop: only a hand ends it. |
| `disarm` | Lets go of every key and presses none until a person arms again: `biosignal-bridge arm`, \
the page, or a start with `--armed`. OSC and MQTT go on. No rule can arm. |

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
    parts.append(_SWITCHES)
    return "\n".join(parts)


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
