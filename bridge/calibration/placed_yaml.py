"""YAML values that know where they stand, so that a hand-broken file gets line and column.

PyYAML keeps the last of two equal keys silently and reads ``no`` as false and ``10:30`` as 630; here the text
is only composed to nodes, equal keys are refused, and each reader below says what it wants.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

import yaml

from bridge.suggesting import nearest

_LONGEST = 1_000_000
_DEEPEST = 20
_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[-+]?\d+", re.ASCII)


class PlacedError(ValueError):
    """What is wrong and where: ``file:line:column: what``."""

    def __init__(self, where: str, line: int, column: int, what: str) -> None:
        super().__init__(f"{where}:{line}:{column}: {what}")
        self.where, self.line, self.column, self.what = where, line, column, what

    def __reduce__(self) -> tuple[type[PlacedError], tuple[str, int, int, str]]:
        """For other processes: made anew from its parts, which the text alone does not give."""
        return type(self), (self.where, self.line, self.column, self.what)


class Placed:
    """A node of the file under a name for people. Readers raise PlacedError."""

    def __init__(self, node: yaml.Node, where: str, name: str, key: Placed | None = None) -> None:
        self._node, self._where, self._name, self._key = node, where, name, key
        self._children: dict[str, Placed] | None = None

    def error(self, what: str) -> PlacedError:
        mark = self._node.start_mark
        return PlacedError(self._where, mark.line + 1, mark.column + 1, what)

    def key_error(self, what: str) -> PlacedError:
        """An error about the key that this value stands under."""
        return (self._key or self).error(what)

    def mapping(self, known: tuple[str, ...] | None = None) -> dict[str, Placed]:
        """The values by key; with ``known`` any other key is an error."""
        if not isinstance(self._node, yaml.MappingNode):
            raise self.error(f"{self._name} must be a mapping of names to values")
        if self._children is None:
            found: dict[str, Placed] = {}
            for key, value in self._node.value:
                name = str(key.value) if isinstance(key, yaml.ScalarNode) else "?"
                place = Placed(key, self._where, name)
                if not isinstance(key, yaml.ScalarNode):
                    raise place.error("a key must be plain text")
                if name in found:
                    raise place.error(f"the key {name!r} stands here a second time")
                found[name] = Placed(value, self._where, name, place)
            self._children = found
        for name, value in self._children.items():
            if known is not None and name not in known:
                near = nearest(name, known)
                mend = f"did you mean {near!r}?" if near else f"known: {', '.join(known)}"
                raise value.key_error(f"{self._name} has no key {name!r}; {mend}")
        return self._children

    def get(self, key: str) -> Placed:
        children = self.mapping()
        if key not in children:
            raise self.error(f"{self._name} lacks the key {key!r}")
        return children[key]

    def find(self, key: str) -> Placed | None:
        """The value of a key that may be absent or null."""
        value = self.mapping().get(key)
        return None if value is None or value.is_null else value

    @property
    def is_null(self) -> bool:
        return self._scalar_tag == "tag:yaml.org,2002:null"

    @property
    def _scalar_tag(self) -> str:
        return str(self._node.tag) if isinstance(self._node, yaml.ScalarNode) else ""

    def __iter__(self) -> Iterator[Placed]:
        if not isinstance(self._node, yaml.SequenceNode):
            raise self.error(f"{self._name} must be a list")
        for number, item in enumerate(self._node.value):
            yield Placed(item, self._where, f"{self._name}[{number}]")

    def text(self) -> str:
        if not isinstance(self._node, yaml.ScalarNode):
            raise self.error(f"{self._name} must be text")
        return str(self._node.value)

    def number(self, low: float = -math.inf, high: float = math.inf) -> float:
        """A finite number from ``low`` to ``high``, both included."""
        text = self.text()
        if not _NUMBER.fullmatch(text) or not math.isfinite(float(text)):
            raise self.error(f"{self._name} must be a number, not {text[:40]!r}")
        if not low <= float(text) <= high:
            raise self.error(f"{self._name} must lie between {low:g} and {high:g}, not {text}")
        return float(text)

    def whole(self, low: int = 0) -> int:
        text = self.text()
        if not _WHOLE.fullmatch(text) or len(text) > 15 or int(text) < low:
            raise self.error(f"{self._name} must be a whole number from {low}, not {text[:40]!r}")
        return int(text)

    def scalar(self) -> bool | int | float | str | None:
        """A setting's value: null, true, false, a number, or text."""
        text = self.text()
        if self.is_null:
            return None
        if self._scalar_tag != "tag:yaml.org,2002:str" and text in ("true", "false"):
            return text == "true"
        if self._scalar_tag != "tag:yaml.org,2002:str" and _WHOLE.fullmatch(text) and len(text) <= 15:
            return int(text)
        return self.number() if _NUMBER.fullmatch(text) else text


def compose(text: str, where: str, name: str) -> Placed:
    """The whole file. Raises PlacedError for what is no YAML, empty, too large or nested too deep."""
    if len(text) > _LONGEST:
        raise PlacedError(where, 1, 1, f"the file is too large for {name}")
    loader = yaml.CSafeLoader if hasattr(yaml, "CSafeLoader") else yaml.SafeLoader
    try:
        node = yaml.compose(text, Loader=loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
        raise PlacedError(
            where, line, column, f"this is no YAML: {error.problem or error.context}"
        ) from error
    except yaml.YAMLError as error:
        raise PlacedError(where, 1, 1, f"this is no YAML: {str(error).splitlines()[0]}") from error
    except RecursionError as error:
        raise PlacedError(where, 1, 1, "the file is nested too deep") from error
    if node is None:
        raise PlacedError(where, 1, 1, f"the file is empty; {name} was expected")
    _check_depth(node, where)
    return Placed(node, where, name)


def _check_depth(root: yaml.Node, where: str) -> None:
    level = [root]
    for _ in range(_DEEPEST):
        following: list[yaml.Node] = []
        for node in level:
            if isinstance(node, yaml.SequenceNode):
                following.extend(node.value)
            elif isinstance(node, yaml.MappingNode):
                following.extend(value for _, value in node.value)
        if len(following) > _LONGEST // 10:
            break
        if not following:
            return
        level = following
    mark = level[0].start_mark
    raise PlacedError(where, mark.line + 1, mark.column + 1, "the file is nested too deep or repeats itself")
