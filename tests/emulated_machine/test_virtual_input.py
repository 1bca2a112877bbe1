"""The virtual input device with a real kernel: what rules can name arrives, and what is held comes up.

Checked against the kernel's own header, <linux/input-event-codes.h>, and against what a Wayland compositor makes of
the codes (libxkbcommon with the system's keymap data).
"""

from __future__ import annotations

import json
import re
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest
from machine import ROOT, Machine
from wayland_keymap import WaylandKeymap

from bridge.outputs.key_names import NAMED, US_CHARACTERS, keysyms
from bridge.rules.keys import NAMED_KEYS

pytestmark = pytest.mark.timeout(900)

HEADER = Path("/usr/include/linux/input-event-codes.h")
WITHIN_S = 800.0  # about two minutes where a processor is free
QUICK_S = 1.0  # the limit is 0.3 s on a computer; an emulated processor is some ten times as slow
EV_KEY, EV_REL = 1, 2

# X11 has keys for these; no code of the kernel stands for them on the keymaps in use.
NO_CODE = {"Clear", "Execute", "Select"}
# What the keymap of the person's layout makes of the code is not always the key of the name: F13 to F24 are
# xkeyboard-config's XF86 keys unless its option `fkeys:basic_13-24` is on, and RIGHTALT is AltGraph on layouts
# that have one.
BY_LAYOUT = {"AltGraph", *(f"F{number}" for number in range(13, 25))}

Found = dict[str, list[dict[str, Any]]]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Found:
    """What the machine told, by the name of the trial."""
    inside = ROOT / "tests/emulated_machine/inside.py"
    machine = Machine(tmp_path_factory.mktemp("machine"), [sys.executable, str(inside)])
    told: Found = defaultdict(list)
    try:
        for line in machine.lines(WITHIN_S):
            if line.startswith("@@ {"):
                plain = json.loads(line.removeprefix("@@ "))
                told[plain.pop("trial")].append(plain)
    finally:
        machine.close()
    if "done" not in told:
        pytest.fail("the trials in the emulated machine did not come to their end:\n" + machine.tail())
    return told


@pytest.fixture(scope="module")
def header() -> dict[str, int]:
    """Names and numbers of the kernel's header."""
    if not HEADER.exists():
        pytest.fail(f"this test needs {HEADER}; on Debian: apt-get install linux-libc-dev")
    codes: dict[str, int] = {}
    for name, value in re.findall(
        r"^#define\s+((?:KEY|BTN|REL)_\w+)\s+(\w+)", HEADER.read_text(), re.MULTILINE
    ):
        codes[name] = codes[value] if value in codes else int(value, 0)
    return codes


def tapped(*codes: int) -> list[list[int]]:
    """Down in this order, up in reverse."""
    return [[EV_KEY, code, 1] for code in codes] + [[EV_KEY, code, 0] for code in reversed(codes)]


def test_every_key_that_rules_can_name_arrives_as_its_code(found: Found, header: dict[str, int]) -> None:
    events = {each["key"]: each["events"] for each in found["key"]}
    assert set(events) == {*NAMED_KEYS, *US_CHARACTERS}
    wanted = {key: tapped(header[f"KEY_{NAMED[key][1]}"]) for key in NAMED_KEYS if key not in NO_CODE}
    for character, (name, shifted) in US_CHARACTERS.items():
        code = header[f"KEY_{name}"]
        wanted[character] = tapped(header["KEY_LEFTSHIFT"], code) if shifted else tapped(code)
    assert {key: events[key] for key in wanted} == wanted
    assert all(each["down"] == [] for each in found["key"])


def test_what_has_no_code_is_refused_and_told(found: Found) -> None:
    assert [each["key"] for each in found["key"] if not each["events"]] == [
        key for key in NAMED_KEYS if key in NO_CODE
    ]
    (said,) = found["said"]
    for key in NO_CODE:
        assert any(f"cannot type the {key} key" in line for line in said["lines"])


def test_a_wayland_compositor_makes_of_the_codes_what_was_named(found: Found) -> None:
    keymap = WaylandKeymap("us")
    for each in found["key"]:
        key, downs = each["key"], [code for kind, code, value in each["events"] if value == 1]
        if key in NO_CODE | BY_LAYOUT:
            continue
        if key in US_CHARACTERS:
            assert keymap.character(downs[-1], shifted=len(downs) == 2) == key
        else:
            assert keymap.keysym(downs[-1]) in keysyms(key), key


def test_combinations_texts_and_the_mouse_arrive(found: Found, header: dict[str, int]) -> None:
    lines = {each["line"]: each["events"] for each in found["line"]}
    shift, left, middle, right = (
        header[name] for name in ("KEY_LEFTSHIFT", "BTN_LEFT", "BTN_MIDDLE", "BTN_RIGHT")
    )
    assert lines["press Control Shift a"] == tapped(header["KEY_LEFTCTRL"], shift, header["KEY_A"])
    assert lines["mouse 0 0 left 1 0 0"] == tapped(left)
    assert lines["mouse 0 0 middle 1 0 0"] == tapped(middle)
    assert lines["mouse 0 0 right 2 0 0"] == tapped(right) + tapped(right)
    assert lines["mouse 5 -3 - 0 0 0"] == [[EV_REL, header["REL_X"], 5], [EV_REL, header["REL_Y"], -3]]
    assert lines["mouse 0 0 - 0 -1 2"] == [
        [EV_REL, header["REL_WHEEL"], 2],
        [EV_REL, header["REL_HWHEEL"], -1],
    ]
    keymap, typed, shifted = WaylandKeymap("us"), "", False
    for _, code, value in lines["type Hi there, 2!"]:
        if code == shift:
            shifted = bool(value)
        elif value:
            typed += keymap.character(code, shifted=shifted)
    assert typed == "Hi there, 2!"
    assert all(each["down"] == [] for each in found["line"])


@pytest.mark.parametrize(
    "name",
    [
        "daemon killed",
        "daemon stopped",
        "guard killed",
        "daemon's process group killed",
        "daemon and guard killed",
    ],
)
def test_a_held_key_comes_up(found: Found, name: str) -> None:
    (one,) = [each for each in found["fault"] if each["name"] == name]
    assert one["held"], "the key went down and stayed so"
    assert one["up"], "the key came up"
    assert one["down"] == []
    assert one["after_s"] < QUICK_S
    assert one.get("afterwards", True), "the next guard types"


def test_a_layout_other_than_us_is_told(found: Found, header: dict[str, int]) -> None:
    """A German Z lies where a US Y does: the wrong letter must not be typed."""
    (one,) = found["layout"]
    assert WaylandKeymap("de").character(header["KEY_Z"]) != "z"
    assert one["events"] == tapped(header["KEY_ENTER"])
    assert any("the layout here is de" in line for line in one["lines"])


def test_check_keys_says_that_it_can_type_and_what_it_cannot(found: Found) -> None:
    (one,) = found["check"]
    report = one["report"]
    assert one["status"] == 0
    assert (report["session"], report["way"], report["able"]) == ("console", "uinput", True)
    assert report["missing"] == []
    assert any("the layout here is de" in limit for limit in report["limits"])
    assert any("kernel lets go of every key" in limit for limit in report["limits"])
    assert one["left"] == 0, "the device that was looked at is gone again"
