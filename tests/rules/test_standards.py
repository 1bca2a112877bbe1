"""Names and addresses in rule files against the standards they come from, and against other hands' tables."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub
from playwright.sync_api import Error, sync_playwright
from Xlib import XK

from bridge.outputs.key_names import NAMED
from bridge.rules.addresses import osc_address_problem, topic_problem
from bridge.rules.keys import NAMED_KEYS, UNTYPABLE, is_key, key_problem

# W3C, UI Events KeyboardEvent key Values (from memory): the named keys of sections 3.2 to 3.7, 3.13, 3.14 that
# people have on their keyboards.
W3C_KEYS = {
    "Alt", "AltGraph", "CapsLock", "Control", "Meta", "NumLock", "ScrollLock", "Shift", "Enter", "Tab", "ArrowDown",
    "ArrowLeft", "ArrowRight", "ArrowUp", "End", "Home", "PageDown", "PageUp", "Backspace", "Clear", "Copy", "Cut",
    "Delete", "Insert", "Paste", "Redo", "Undo", "Again", "Cancel", "ContextMenu", "Escape", "Execute", "Find", "Help",
    "Pause", "Select", "ZoomIn", "ZoomOut", "BrightnessDown", "BrightnessUp", "Eject", "PrintScreen",
    "AudioVolumeDown", "AudioVolumeMute", "AudioVolumeUp", "MediaPause", "MediaPlay", "MediaPlayPause", "MediaRecord",
    "MediaStop", "MediaTrackNext", "MediaTrackPrevious", *(f"F{number}" for number in range(1, 25)),
}  # fmt: skip


def test_the_named_keys_are_those_of_the_standard() -> None:
    """The blank is " " there; files say `Space`, because a lone blank is hard to see."""
    assert set(NAMED_KEYS) - {"Space"} == W3C_KEYS
    assert len(NAMED_KEYS) == len(set(NAMED_KEYS))
    assert not UNTYPABLE & set(NAMED_KEYS)


def test_rules_and_outputs_know_the_same_keys() -> None:
    assert set(NAMED) == set(NAMED_KEYS)


@pytest.mark.parametrize(
    ("key", "keysym"),
    [
        ("PageDown", "Page_Down"), ("PageUp", "Page_Up"), ("ArrowLeft", "Left"), ("Enter", "Return"), ("Tab", "Tab"),
        ("Escape", "Escape"), ("Backspace", "BackSpace"), ("Delete", "Delete"), ("Insert", "Insert"), ("Home", "Home"),
        ("Control", "Control_L"), ("Shift", "Shift_L"), ("Alt", "Alt_L"), ("Meta", "Super_L"), ("F1", "F1"),
        ("F12", "F12"), ("F20", "F20"), ("ContextMenu", "Menu"), ("Pause", "Pause"), ("PrintScreen", "Print"),
        ("Space", "space"), ("NumLock", "Num_Lock"), ("CapsLock", "Caps_Lock"), ("Undo", "Undo"), ("Help", "Help"),
    ],
)  # fmt: skip
def test_keysyms_are_those_of_the_x_library(key: str, keysym: str) -> None:
    assert XK.string_to_keysym(keysym) in NAMED[key][0]


def test_a_browser_reports_the_same_names() -> None:
    """Chromium's ``KeyboardEvent.key`` for keys that the browser driver can press by name."""
    known: dict[str, str] = {}
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page()
        page.set_content("<input autofocus>")
        page.evaluate(
            "window.keys = []; addEventListener('keydown', e => { window.keys.push(e.key); e.preventDefault() })"
        )
        for name in NAMED_KEYS:
            page.evaluate("window.keys.length = 0")
            try:
                page.keyboard.press(name)
            except Error:
                continue  # the driver has no such key
            known[name] = page.evaluate("window.keys.join()")
        browser.close()
    assert len(known) >= 35
    assert known.pop("Space") == " "
    assert {name: key for name, key in known.items() if key != name} == {}


@pytest.mark.parametrize("wrong", ["", "ab", "pagedown", "Left", "ctrl", "F25", " ", "\n", "Ctrl+c"])
def test_what_is_no_key_is_refused_with_a_mend(wrong: str) -> None:
    assert not is_key(wrong)
    told = key_problem(wrong)
    assert told is not None
    assert all(told)


@pytest.mark.parametrize("character", list(" #*,/?[]{}"))
def test_osc_1_0_forbids_these_in_the_parts_of_an_address(character: str) -> None:
    """OSC 1.0, "OSC Address Spaces and OSC Addresses": the name of a method or container holds none of them."""
    told = osc_address_problem(f"/a{character}b")
    # A slash begins the next part.
    assert (told == "") is (character == "/")


@given(
    st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E, exclude_characters="#*,/?[]{}"), min_size=1)
)
def test_osc_1_0_allows_all_other_printable_ascii(part: str) -> None:
    assert osc_address_problem("/" + part[:1000]) == ""


@pytest.mark.parametrize("wrong", ["", "a", "/", "//", "/a/", "/é", "/a\tb", "/\x7f"])
def test_what_is_no_osc_address_is_refused(wrong: str) -> None:
    assert osc_address_problem(wrong)


@pytest.mark.parametrize(
    ("topic", "clause"),
    [
        ("", "MQTT 5.0, 4.7.3: all topic names must be at least one character long [MQTT-4.7.3-1]"),
        ("a\0b", "4.7.3: must not include the null character [MQTT-4.7.3-2]"),
        ("a" * 65536, "4.7.3: must not encode to more than 65,535 bytes [MQTT-4.7.3-3]"),
        ("é" * 32768, "the same, counted in bytes"),
        ("a/+/b", "3.3.2.1: the topic name in the PUBLISH packet must not contain wildcards [MQTT-3.3.2-2]"),
        ("a/#", "the same"),
        ("$SYS/x", "4.7.2: topics beginning with $ are the server's"),
        ("a\ud800", "1.5.4: no lone surrogates [MQTT-1.5.4-1]"),
    ],
)
def test_what_is_no_mqtt_topic_is_refused(topic: str, clause: str) -> None:
    assert topic_problem(topic), clause


@pytest.mark.parametrize("topic", ["a", "/", "a//b", "lab/heart", "é/Ω", "a b", "a" * 65535, "/a"])
def test_what_is_an_mqtt_topic_is_taken(topic: str) -> None:
    """4.7.3: topic names can include the space character and adjacent separators; the client library agrees."""
    assert topic_problem(topic) == ""
    assert topic_matches_sub("#", topic)
