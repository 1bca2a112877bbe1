"""What is down together is checked together: against the list of allowed keys, and for what a window gets."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from fakes import NotedKeyboard
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.outputs.allow_list import AllowLists, parse
from bridge.outputs.guard_core import Guard
from bridge.outputs.guard_lines import (
    Arm,
    Command,
    HoldKeys,
    LetGo,
    Point,
    PressKeys,
    Pulse,
    Release,
    Said,
    Write,
)

_SHIFT = 1  # of the noted keyboard
_MODIFIERS = {"Control": sum(map(ord, "Control")), "Alt": sum(map(ord, "Alt")), "Shift": _SHIFT}


class Window(NotedKeyboard):
    """A keyboard with what a window gets from it: at each key, the key and the modifiers that are down."""

    def __init__(self) -> None:
        super().__init__()
        self.got: list[frozenset[str]] = []
        self.together: list[frozenset[int]] = []

    def codes(self, key: str) -> tuple[int, ...]:
        return (_SHIFT,) if key == "Shift" else super().codes(key)

    def down(self, code: int) -> None:
        super().down(code)
        self.together.append(frozenset(self.down_now))
        if code in _MODIFIERS.values():
            return
        shifted = _SHIFT in self.down_now
        held = {name for name, of_it in _MODIFIERS.items() if of_it in self.down_now and of_it != _SHIFT}
        character = chr(code) if code < 128 else _NAMES[code]
        if len(character) == 1 and character.isalpha():
            self.got.append(frozenset({character.upper() if shifted else character, *held}))
        else:
            self.got.append(frozenset({character, *held, *(["Shift"] if shifted else [])}))

    def click(self, button: object, times: int) -> None:
        names = {name for name, code in _MODIFIERS.items() if code in self.down_now}
        self.got.append(frozenset({"a click", *names}))


_NAMES = {sum(map(ord, name)): name for name in ("ArrowLeft",)}


def guard(window: Window, allowed: str | None) -> Guard:
    lists = AllowLists() if allowed is None else AllowLists((parse(allowed, "the list"),))
    made = Guard(window, allowed=lists, per_second=1000.0, longest_hold_s=60.0)
    made.take(Arm(True), 0.0)
    made.take(Pulse(1, 0.0), 0.0)
    return made


def hold(*keys: str) -> HoldKeys:
    return HoldKeys(1, 0.0, keys, 30.0)


def press(*keys: str) -> PressKeys:
    return PressKeys(2, 0.0, keys)


def refused(told: Iterable[Said]) -> str:
    return " ".join(said.why for said in told if said.what == "refused")


def test_a_key_beside_a_held_combination_is_no_other_combination() -> None:
    window = Window()
    at_work = guard(window, "Control+c letters")
    at_work.take(hold("Control", "c"), 0.0)
    for command in (press("w"), hold("w"), Write(3, 0.0, "w")):
        why = refused(at_work.take(command, 0.0))
        assert "held" in why
        assert "the list" in why
    assert window.got == [{"Control", "c"}]
    at_work.take(LetGo(("Control", "c")), 0.0)
    assert not at_work.take(press("w"), 0.0)
    assert window.got == [{"Control", "c"}, {"w"}]


def test_nor_is_a_click() -> None:
    window = Window()
    at_work = guard(window, "Control+c mouse")
    at_work.take(hold("Control", "c"), 0.0)
    assert "held" in refused(at_work.take(Point(2, 0.0, 0, 0, "left", 1, 0, 0), 0.0))
    assert "held" in refused(at_work.take(Point(3, 0.0, 0, 0, "", 0, 0, -2), 0.0))
    assert window.got == [{"Control", "c"}]
    at_work.take(Release(), 0.0)
    assert not at_work.take(Point(4, 0.0, 0, 0, "left", 1, 0, 0), 0.0)


def test_what_is_listed_by_itself_goes_together_as_before() -> None:
    window = Window()
    at_work = guard(window, "ArrowLeft letters Control mouse Control+Alt+x Alt+x")
    assert not at_work.take(hold("ArrowLeft"), 0.0)
    assert not at_work.take(press("w"), 0.0)
    assert not at_work.take(hold("Control"), 0.0)
    assert not at_work.take(press("w"), 0.0)
    assert not at_work.take(Point(2, 0.0, 0, 0, "left", 1, 0, 0), 0.0)
    at_work.take(Release(), 0.0)
    assert not at_work.take(hold("Alt", "x"), 0.0)
    assert refused(at_work.take(press("w"), 0.0)), "Alt was listed with x only"
    assert window.got == [{"ArrowLeft"}, {"w"}, {"w", "Control"}, {"a click", "Control"}, {"x", "Alt"}]


@pytest.mark.parametrize("allowed", [None, "A b ArrowLeft mouse"])
def test_a_capital_that_is_held_changes_no_other_key(allowed: str | None) -> None:
    """Shift is down for it, so `b` would arrive as `B`."""
    window = Window()
    at_work = guard(window, allowed)
    at_work.take(hold("A"), 0.0)
    for command in (
        press("b"),
        hold("b"),
        Write(3, 0.0, "b"),
        press("ArrowLeft"),
        Point(4, 0.0, 0, 0, "left", 1, 0, 0),
    ):
        assert "'A' is held" in refused(at_work.take(command, 0.0))
    assert window.got == [{"A"}]


def test_capitals_share_their_shift_and_a_shift_that_a_rule_holds_is_meant() -> None:
    window = Window()
    at_work = guard(window, "letters Shift ArrowLeft")
    at_work.take(hold("A"), 0.0)
    assert not at_work.take(press("B"), 0.0)
    at_work.take(Release(), 0.0)
    at_work.take(hold("Shift"), 0.0)
    assert not at_work.take(press("ArrowLeft"), 0.0)
    assert not at_work.take(press("b"), 0.0)
    assert window.got == [{"A"}, {"B"}, {"Shift", "ArrowLeft"}, {"B"}]


SINGLES = ("a", "b", "A", "B", "7", "ArrowLeft", "Control", "Alt", "Shift")
COMBINED = st.lists(st.sampled_from(SINGLES), min_size=1, max_size=3, unique=True).map(tuple)
ENTRIES = st.lists(
    st.one_of(
        st.sampled_from((*SINGLES, "letters", "digits", "text", "mouse")),
        COMBINED.filter(lambda keys: len(keys) > 1).map("+".join),
    ),
    max_size=5,
)


@st.composite
def lists_and_commands(draw: st.DrawFn) -> tuple[list[str], list[Command]]:
    """Most commands press what the list has, so that they are carried out and something is down beside them."""
    entries = draw(ENTRIES)
    listed = [tuple(entry.split("+")) for entry in entries if entry not in ("digits", "text", "mouse")]
    listed = [("b",) if keys == ("letters",) else keys for keys in listed]
    keys = st.one_of(st.sampled_from(listed), st.sampled_from(listed), COMBINED) if listed else COMBINED
    commands: st.SearchStrategy[Command] = st.one_of(
        keys.map(lambda keys: HoldKeys(2, 0.0, keys, 30.0)),
        keys.map(lambda keys: PressKeys(1, 0.0, keys)),
        keys.map(LetGo),
        st.text("abAB7", min_size=1, max_size=3).map(lambda text: Write(3, 0.0, text)),
        st.just(Point(4, 0.0, 0, 0, "left", 1, 0, 0)),
        st.just(Release()),
    )
    return entries, draw(st.lists(commands, min_size=2, max_size=8))


def _codes(window: Window, keys: Iterable[str]) -> frozenset[int]:
    return frozenset(code for key in keys for code in window.codes(key))


@settings(max_examples=1000)
@given(lists_and_commands())
def test_whatever_comes_a_window_gets_only_what_the_list_has(
    case: tuple[list[str], list[Command]],
) -> None:
    """The list is read here by itself, entry by entry, and what a window gets is made of codes that went down."""
    entries, commands = case
    window = Window()
    at_work = guard(window, " ".join(entries))
    for command in commands:
        at_work.take(command, 0.0)
    combinations = [frozenset(entry.split("+")) for entry in entries if "+" in entry]
    singles = {entry for entry in entries if "+" not in entry}
    singles |= set("abAB") if singles & {"letters", "text"} else set()
    singles |= {"7"} if singles & {"digits", "text"} else set()
    singles |= {"a click"} if "mouse" in singles else set()

    # Shift and a letter that are both listed may be used together, and together they give the capital.
    shifted = {each.upper() for each in singles if len(each) == 1} if "Shift" in singles else set()
    for got in window.got:
        listed = all(each in singles | shifted for each in got)
        as_combination = any(got <= combination | _received(combination) for combination in combinations)
        assert listed or as_combination, (got, entries)

    whole = [_codes(window, combination) for combination in combinations]
    whole.append(_codes(window, singles - {"letters", "digits", "text", "mouse", "a click"}))
    for down in window.together:
        assert any(down <= codes for codes in whole), (down, entries)


def _received(combination: frozenset[str]) -> set[str]:
    """What a window gets of a combination: Shift and a letter give the capital."""
    letters = {each for each in combination if len(each) == 1 and each.isalpha()}
    if "Shift" in combination and letters:
        return {*(combination - letters - {"Shift"}), *(each.upper() for each in letters)}
    return set(combination)
