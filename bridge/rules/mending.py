"""pydantic's errors as problems of the file: the place from the tree, the words from here."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from bridge.rules.conditions import no_condition
from bridge.rules.deeds import DEED_WORDS, LEVEL_DEED_WORDS, no_deed
from bridge.rules.document import Node
from bridge.rules.hosts import normal_host
from bridge.rules.problems import Problem
from bridge.rules.words import Unknown, is_duration, seconds_text, shown, suggestion

Place = tuple[int, int]
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_-]*", re.ASCII)
# What a rule file said of secrets once, or might be thought to say: they have a place of their own.
_SECRETS = frozenset(
    {
        *("password", "username", "user", "secret", "token", "token_env"),
        *("username_env", "password_env", "password_file"),
        *("ca_file", "certificate", "certificate_key"),
    }
)

# What was accepted once, and why it is not there any more.
_GONE = {
    "mains_hz": "leave it out: detectors and the signal check look for 50 Hz and for 60 Hz by themselves"
}


def locate(root: Node, path: Sequence[str | int], *, key: bool = False) -> Place:
    """Where ``path`` stands: its value, or its key. Parts that the file does not have are passed over."""
    node = root
    place = (root.line, root.column)
    for part in path:
        child = node.items.get(part)
        if child is None:
            continue
        if key and part in node.keys and isinstance(part, str):
            place = node.keys[part]
        else:
            place = (child.line, child.column)
        node = child
    return place


def problems_of(errors: Sequence[Any], root: Node) -> list[Problem]:
    """One problem for each place, in order of place."""
    found: dict[Place, Problem] = {}
    paths = [error["loc"] for error in errors]
    for error in errors:
        path = error["loc"]
        if error["type"] == "too_short" and any(p != path and p[: len(path)] == path for p in paths):
            continue  # the list is short only because its items are wrong
        made = _problem(error, root)
        found.setdefault((made.line, made.column), made)
    return sorted(found.values(), key=lambda problem: (problem.line, problem.column))


def _problem(error: Any, root: Node) -> Problem:
    path = tuple(error["loc"])
    kind = error["type"]
    context = error.get("ctx") or {}
    given = error.get("input")
    if kind == "extra_forbidden":
        word = str(path[-1])
        known = given.known if isinstance(given, Unknown) else ()
        mend = suggestion(word, known)
        if word in _GONE:
            mend = _GONE[word]
        elif word in _SECRETS and "login" in known:
            mend = _log_in(path, root)
        return Problem(*locate(root, path, key=True), f"unknown key `{word[:40]}`", mend)
    if kind == "missing":
        return Problem(*locate(root, path[:-1]), f"`{path[-1]}` is missing", "add it")
    place = locate(root, path)
    if kind == "rule_file":
        return Problem(*place, context["what"], context["mend"])
    if kind == "union_tag_not_found":
        return _no_form(error, path, given, root)
    if kind == "union_tag_invalid":
        words = re.findall(r"'([^']*)'", context["expected_tags"])
        word = str(context["tag"])
        return Problem(
            *locate(root, (*path, "type")), f"there is no type `{word[:40]}`", suggestion(word, words)
        )
    if kind == "literal_error":
        words = re.findall(r"'([^']*)'", context["expected"])
        return Problem(*place, f"{shown(given)} is not possible here", suggestion(str(given)[:80], words))
    return Problem(*place, *_plain_words(kind, context, given))


def _log_in(path: Sequence[Any], root: Node) -> str:
    """The command that keeps the secrets of this output or source, and what the rule file says instead."""
    node: Any = root.data
    names = ["NAME"]
    for part in path[:-1]:
        if isinstance(node, dict) and part in node:
            node = node[part]
            names.append(str(part))
    node = node if isinstance(node, dict) else {}
    # What is shown as a command may be pasted into a shell: nothing but plain names goes into it.
    name = names[-1] if _PLAIN.fullmatch(names[-1]) and names[-1] != "source" else "NAME"
    try:
        host = normal_host(str(node.get("host") or node.get("listen") or "?"))
    except ValueError:
        host = "HOST"
    digits = str(node.get("port", ""))
    port = f" --port {digits}" if digits.isascii() and digits.isdigit() else ""
    more = "".join(
        f" --{word.replace('_', '-')} FILE"
        for word in ("ca_file", "certificate", "certificate_key")
        if word in node
    )
    return (
        "a rule file holds and names no secrets: run "
        f"`biosignal-bridge login add {name} --host {host}{port}{more}` and write `login: {name}`"
    )


def _no_form(error: Any, path: tuple[Any, ...], given: Any, root: Node) -> Problem:
    discriminator = str((error.get("ctx") or {}).get("discriminator", ""))
    if "type" in discriminator:
        return Problem(
            *locate(root, path), "`type` is missing", "add it, such as `type: serial` or `type: osc`"
        )
    if "when" in path or "no" in path:
        what, mend = no_condition(given)
    else:
        what, mend = no_deed(given, LEVEL_DEED_WORDS if path and path[0] == "levels" else DEED_WORDS)
    if what.startswith("unknown key") and isinstance(given, dict):
        word = what.split("`")[1]
        return Problem(*locate(root, (*path, word), key=True), what, mend)
    return Problem(*locate(root, path), what, mend)


def _plain_words(kind: str, context: Any, given: Any) -> tuple[str, str]:
    value = shown(given)
    if kind in ("int_parsing", "int_type", "int_from_float"):
        return f"a whole number is needed, not {value}", "write digits only"
    if kind in ("float_parsing", "float_type", "finite_number"):
        return f"a number is needed, not {value}", "write it without a unit"
    limits = {"greater_than": "gt", "greater_than_equal": "ge", "less_than": "lt", "less_than_equal": "le"}
    if kind in limits:
        words = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
        name = limits[kind]
        limit = seconds_text(context[name]) if is_duration(given) else f"{context[name]:g}"
        return f"{value} is out of range", f"it must be {words[name]} {limit}"
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return (
            f"keys with values are needed here, not {value}",
            "write `{key: value}`, or keys indented below",
        )
    if kind in ("list_type", "tuple_type"):
        return f"a list is needed here, not {value}", "write `[a, b]`, or items that begin with `- `"
    if kind == "string_type":
        return f"a text is needed, not {value}", "put it in quotes"
    if kind == "too_long":
        return "the list is too long", f"at most {context.get('max_length')} items"
    if kind == "too_short":
        return "the list is too short", f"at least {context.get('min_length')} items"
    if kind == "string_too_long":
        return "the text is too long", f"at most {context.get('max_length')} characters"
    if kind == "missing_argument" or kind == "unexpected_positional_argument":
        return "the list has the wrong number of items", "count them"
    return f"{value} is not possible here", "see `biosignal-bridge rules schema`"
