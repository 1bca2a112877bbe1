"""Which keys may be sent at all, fixed outside the rule file.

Two places, both read by the daemon and again by the guard; a key must be on each list that exists:

- the environment variable ``BIOSIGNAL_BRIDGE_KEYS``: names with blanks or commas between;
- the file ``keys.allow`` in the user's configuration folder for ``biosignal-bridge``: one entry a line,
  ``#`` and a blank begin a comment.

An entry is a key name (``PageDown``, ``a``), which may then be pressed alone and together with other
listed keys; a combination (``Control+c``), allowed as exactly that; ``letters``, ``digits`` or ``text``
(every single character); or ``mouse``. What is down at the same time counts as pressed together, whichever
rules press it: beside a held ``Control+c`` nothing else may go down but what makes another combination of the
list. Without a list every key may be sent. A list that cannot be read or understood allows nothing.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.outputs.key_names import is_name

ENVIRONMENT = "BIOSIGNAL_BRIDGE_KEYS"
FILE_NAME = "keys.allow"
_GROUPS = ("letters", "digits", "text", "mouse")


class AllowListError(ValueError):
    """A list that cannot be read or understood; the message names the place and the mend."""


@dataclass(frozen=True, slots=True)
class AllowList:
    """One list of what may be sent. ``place`` says where it comes from."""

    place: str
    keys: frozenset[str]
    combinations: frozenset[frozenset[str]] = frozenset()
    groups: frozenset[str] = frozenset()

    def allows(self, keys: Iterable[str]) -> bool:
        """May these keys be pressed together?"""
        wanted = tuple(keys)
        return frozenset(wanted) in self.combinations or all(self._allows_one(key) for key in wanted)

    def _allows_one(self, key: str) -> bool:
        if key in self.keys:
            return True
        if len(key) != 1 and key != "Space":
            return False
        return (
            "text" in self.groups
            or ("letters" in self.groups and key.isalpha())
            or ("digits" in self.groups and key.isdecimal())
        )

    def allows_text(self, text: str) -> bool:
        return all(self._allows_one("Space" if character == " " else character) for character in text)

    def allows_mouse(self, held: Iterable[str] = ()) -> bool:
        """May the mouse be used while these keys are down?"""
        return "mouse" in self.groups and all(self._allows_one(key) for key in held)


@dataclass(frozen=True, slots=True)
class AllowLists:
    """All lists that there are; each must agree."""

    lists: tuple[AllowList, ...] = ()

    def refusal(self, keys: Iterable[str], held: Iterable[str] = ()) -> str:
        """``held``: keys that are down already, which these would join."""
        wanted, down = tuple(keys), tuple(held)
        what = f"the key {'+'.join(wanted)!r}" + (f" with {'+'.join(down)!r} held" if down else "")
        return self._first(what, [each.allows((*down, *wanted)) for each in self.lists])

    def text_refusal(self, text: str) -> str:
        return self._first("this text", [each.allows_text(text) for each in self.lists])

    def mouse_refusal(self, held: Iterable[str] = ()) -> str:
        """``held``: keys that are down."""
        down = tuple(held)
        what = f"the mouse with {'+'.join(down)!r} held" if down else "the mouse"
        return self._first(what, [each.allows_mouse(down) for each in self.lists])

    def _first(self, what: str, allowed: list[bool]) -> str:
        """Why it is refused; empty when every list allows it."""
        for each, yes in zip(self.lists, allowed, strict=True):
            if not yes:
                return f"{what} is not on the list of allowed keys ({each.place})"
        return ""


def parse(text: str, place: str) -> AllowList:
    """A list from the text of the file or of the variable. Raises AllowListError."""
    keys: set[str] = set()
    combinations: set[frozenset[str]] = set()
    groups: set[str] = set()
    for number, line in enumerate(text.splitlines() or [""], 1):
        # A comment is `#`, a blank and words, so that `#` by itself can be an entry.
        for entry in re.sub(r"(^|\s)#\s+\S.*$", "", line).replace(", ", " ").split():
            for name in [entry] if is_name(entry) else (part for part in entry.split(",") if part):
                if name in _GROUPS:
                    groups.add(name)
                elif is_name(name):
                    keys.add(name)
                else:
                    parts = [*name[:-2].split("+"), "+"] if name.endswith("++") else name.split("+")
                    if len(parts) < 2 or not all(is_name(part) for part in parts):
                        raise AllowListError(
                            f"{place}:{number}: there is no key {name[:40]!r}; use the W3C names, such as "
                            f"PageDown or Control+c, or {', '.join(_GROUPS)}"
                        )
                    combinations.add(frozenset(parts))
    return AllowList(place, frozenset(keys), frozenset(combinations), frozenset(groups))


def config_file(environment: Mapping[str, str]) -> Path:
    """Where the file of allowed keys is looked for."""
    from platformdirs import PlatformDirs  # late: only needed once

    base = environment.get("XDG_CONFIG_HOME")
    folder = (
        Path(base) / "biosignal-bridge" if base else PlatformDirs("biosignal-bridge", False).user_config_path
    )
    return Path(folder) / FILE_NAME


def load(environment: Mapping[str, str] | None = None) -> AllowLists:
    """The lists that hold here. Raises AllowListError; the caller must then send nothing."""
    environment = os.environ if environment is None else environment
    lists = []
    if ENVIRONMENT in environment:
        lists.append(parse(environment[ENVIRONMENT], f"the variable {ENVIRONMENT}"))
    path = config_file(environment)
    try:
        lists.append(parse(path.read_text("utf-8"), str(path)))
    except (FileNotFoundError, NotADirectoryError):
        pass
    except (OSError, UnicodeDecodeError) as error:
        raise AllowListError(f"{path} cannot be read ({error}); mend or remove it") from error
    return AllowLists(tuple(lists))
