"""A rule file's text as a tree that knows where everything stands.

It is built from libyaml's events rather than by a loader, so that depth, aliases and size are bounded while
reading, duplicate keys are seen, and scalars stay the text they are.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import yaml

from bridge.rules.problems import Problem
from bridge.rules.words import Plain
from bridge.rules.yaml_errors import explained, place_of

LONGEST_BYTES = 2_000_000
DEEPEST = 24
MOST_NODES = 250_000
_SHOWN = 100  # problems of one kind that are worth showing

_CONTROL = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_EMPTY = frozenset({"", "~", "null", "Null", "NULL"})


class DocumentError(Exception):
    """The text cannot be read as YAML; ``problems`` say why."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__(problems[0].what)
        self.problems = problems


class Node:
    """A value, where it starts (from 1), and what is in it. ``data`` is plain: dict, list, Plain or str."""

    __slots__ = ("column", "data", "items", "keys", "line", "size")

    def __init__(self, data: Any, line: int, column: int) -> None:
        self.data = data
        self.line = line
        self.column = column
        self.keys: dict[str, tuple[int, int]] = {}
        self.items: dict[Any, Node] = {}
        self.size = 1


def read(text: str | bytes) -> tuple[Node, list[Problem]]:
    """The root mapping, and problems that did not stop the reading. Raises DocumentError."""
    decoded = _decoded(text)
    _check_characters(decoded)
    builder = _Builder()
    try:
        for event in _events(decoded):
            builder.take(event)
    except yaml.YAMLError as error:
        raise DocumentError(explained(error, decoded)) from error
    root = builder.root
    if root is None or (isinstance(root.data, Plain) and root.data in _EMPTY):
        raise DocumentError([Problem(1, 1, "the file is empty", "begin with `version: 1`")])
    if not isinstance(root.data, dict):
        raise DocumentError(
            [Problem(root.line, root.column, "the file is not a set of keys", "begin with `version: 1`")]
        )
    return root, builder.problems


def _decoded(text: str | bytes) -> str:
    if len(text) > LONGEST_BYTES:
        what = f"the file is too large: {len(text) / 1e6:.1f} MB, at most {LONGEST_BYTES / 1e6:.0f} MB"
        raise DocumentError([Problem(1, 1, what, "a rule file is a few kilobytes; is this the right file?")])
    if isinstance(text, str):
        return text.removeprefix("\ufeff")
    try:
        return text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = text[: error.start]
        line = before.count(b"\n") + 1
        column = len(before.rpartition(b"\n")[2].decode("utf-8", "replace")) + 1
        what = f"the file is not UTF-8: byte {error.start} is 0x{text[error.start]:02x}"
        raise DocumentError([Problem(line, column, what, "save it as UTF-8")]) from error


def _check_characters(text: str) -> None:
    found = _CONTROL.search(text)
    if found:
        line, column = place_of(text, found.start())
        what = f"the character U+{ord(found.group()):04X} is not allowed in YAML"
        raise DocumentError([Problem(line, column, what, "remove it")])


def _events(text: str) -> Iterator[Any]:
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    return iter(yaml.parse(text, Loader=loader))


class _Builder:
    """Puts events together without recursion; refuses what only an attack or an accident needs."""

    def __init__(self) -> None:
        self.root: Node | None = None
        self.problems: list[Problem] = []
        self._open: list[tuple[Node, str | None]] = []  # collections, each with its anchor
        self._key: list[tuple[str, int, int] | None] = []  # the key that waits for its value, for each
        self._duplicates: list[bool] = []
        self._anchors: dict[str, Node] = {}
        self._nodes = 0
        self._documents = 0

    def take(self, event: Any) -> None:
        if isinstance(event, yaml.ScalarEvent):
            self._scalar(event)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._start(event)
        elif isinstance(event, yaml.CollectionEndEvent):
            self._end()
        elif isinstance(event, yaml.AliasEvent):
            self._alias(event)
        elif isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._stop(event, "a second document begins here", "keep one document in a file")

    def _stop(self, event: Any, what: str, mend: str) -> None:
        mark = event.start_mark
        raise DocumentError([*self.problems, Problem(mark.line + 1, mark.column + 1, what, mend)])

    def _complain(self, line: int, column: int, what: str, mend: str) -> None:
        if len(self.problems) < _SHOWN:
            self.problems.append(Problem(line, column, what, mend))

    def _new(self, data: Any, event: Any) -> Node:
        mark = event.start_mark
        node = Node(data, mark.line + 1, mark.column + 1)
        self._count(1, event)
        if getattr(event, "tag", None) is not None and not (
            event.tag == "!" or str(event.tag).startswith("tag:yaml.org,2002:str")
        ):
            self._complain(node.line, node.column, f"the tag `{event.tag[:60]}` is not allowed", "remove it")
        return node

    def _count(self, more: int, event: Any) -> None:
        self._nodes += more
        if self._nodes > MOST_NODES:
            self._stop(event, "the file has too many values", "aliases count each time they are used")

    def _scalar(self, event: Any) -> None:
        plain = event.style is None or event.style == ""
        text = event.value
        expects_key = bool(self._open) and isinstance(self._open[-1][0].data, dict) and self._key[-1] is None
        if expects_key:
            self._take_key(text, event)
            return
        node = self._new(Plain(text) if plain else text, event)
        self._keep(event.anchor, node)
        if plain and text in _EMPTY and self._open:
            waiting = self._key[-1]
            if waiting is not None and isinstance(self._open[-1][0].data, dict):
                self._complain(
                    waiting[1], waiting[2], f"`{waiting[0][:40]}` has no value", "give it one, or remove it"
                )
            else:
                self._complain(node.line, node.column, "an empty item in a list", "fill it, or remove it")
        self._put(node)

    def _take_key(self, text: str, event: Any) -> None:
        line, column = event.start_mark.line + 1, event.start_mark.column + 1
        self._count(1, event)
        if text == "<<":
            self._complain(line, column, "merge keys (`<<`) are not read", "repeat the values instead")
        self._duplicates[-1] = text in self._open[-1][0].keys
        if self._duplicates[-1]:
            first = self._open[-1][0].keys[text][0]
            self._complain(
                line, column, f"the key `{text[:40]}` stands here twice, first on line {first}", "remove one"
            )
        self._key[-1] = (text, line, column)

    def _start(self, event: Any) -> None:
        is_map = isinstance(event, yaml.MappingStartEvent)
        if len(self._open) >= DEEPEST:
            self._stop(event, f"nested deeper than {DEEPEST} levels", "a rule file never needs that")
        if self._open and isinstance(self._open[-1][0].data, dict) and self._key[-1] is None:
            mend = (
                'write texts with places in quotes: "{value}"' if event.flow_style else "write a plain word"
            )
            self._stop(event, "a key is not a plain word", mend)
        node = self._new({} if is_map else [], event)
        self._open.append((node, event.anchor))
        self._key.append(None)
        self._duplicates.append(False)

    def _end(self) -> None:
        node, anchor = self._open.pop()
        self._key.pop()
        self._duplicates.pop()
        node.size = 1 + sum(child.size for child in node.items.values())
        self._keep(anchor, node)
        self._put(node)

    def _alias(self, event: Any) -> None:
        node = self._anchors.get(event.anchor)
        if node is None:
            self._stop(
                event, f"there is no anchor `{event.anchor[:40]}` before this", "write the value itself"
            )
            return
        if self._open and isinstance(self._open[-1][0].data, dict) and self._key[-1] is None:
            self._stop(event, "an alias cannot be a key", "write the word itself")
        self._count(node.size, event)
        self._put(node)

    def _keep(self, anchor: str | None, node: Node) -> None:
        if anchor is not None:
            self._anchors[anchor] = node

    def _put(self, node: Node) -> None:
        if not self._open:
            self.root = node
            return
        parent = self._open[-1][0]
        if isinstance(parent.data, dict):
            waiting = self._key[-1]
            assert waiting is not None
            self._key[-1] = None
            if self._duplicates[-1]:
                return
            parent.keys[waiting[0]] = waiting[1:]
            parent.items[waiting[0]] = node
            parent.data[waiting[0]] = node.data
        else:
            parent.items[len(parent.data)] = node
            parent.data.append(node.data)
