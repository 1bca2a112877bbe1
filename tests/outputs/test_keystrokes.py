"""Real keys on a real X server, seen by an X client and by a terminal that ignores synthetic events."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
from pathlib import Path

import components
import pytest
from waiting import act, at_work, until

from bridge.outputs import allow_list, keyboard_choice
from bridge.outputs.keystrokes import Keystrokes
from bridge.outputs.limits import RateLimit
from bridge.outputs.protocol import OutputError
from bridge.rules.actions import KeyDown, KeyUp, Mouse, Press, SendOsc, TypeText
from bridge.rules.keys import NAMED_KEYS


async def test_presses_arrive_as_real_keys(recorder: components.KeyRecorder) -> None:
    async with at_work() as keys:
        for what in (Press(("PageDown",)), Press(("Control", "c")), Press(("A",)), Press(("!",))):
            assert keys.send(act(what))
        await until(lambda: len(recorder.seen) >= 2 + 4 + 4 + 4)
    assert recorder.told() == [
        ("down", "Next"), ("up", "Next"),
        ("down", "Control_L"), ("down", "c"), ("up", "c"), ("up", "Control_L"),
        ("down", "Shift_L"), ("down", "A"), ("up", "A"), ("up", "Shift_L"),
        ("down", "Shift_L"), ("down", "exclam"), ("up", "exclam"), ("up", "Shift_L"),
    ]  # fmt: skip
    assert not any(seen.sent for seen in recorder.seen), "synthetic events are ignored by many programs"


async def test_a_terminal_takes_the_keys(x_server: components.XServer, tmp_path: Path) -> None:
    typed = tmp_path / "typed"
    with components.terminal(x_server, typed):
        async with at_work() as keys:
            assert keys.send(act(TypeText("Hello, World! #1")))
            assert keys.send(act(Press(("Enter",))))
            await until(lambda: typed.read_text().count("\n") >= 2)
    assert typed.read_text() == "ready\nHello, World! #1\n"


async def test_a_hold_ends_when_told_and_on_time(recorder: components.KeyRecorder) -> None:
    async with at_work() as keys:
        assert keys.send(act(KeyDown(("Space",), 30.0)))
        await until(lambda: ("down", "space") in recorder.told())
        await asyncio.sleep(0.4)  # longer than the pulse may stop: the output's own pulses keep it down
        assert ("up", "space") not in recorder.told()
        assert keys.send(act(KeyUp(("Space",))))
        await until(lambda: ("up", "space") in recorder.told())
        down = asyncio.get_running_loop().time()
        assert keys.send(act(KeyDown(("ArrowLeft",), 0.3)))
        await until(lambda: ("up", "Left") in recorder.told())
        held_s = asyncio.get_running_loop().time() - down
    assert 0.29 <= held_s < 2.0


async def test_release_disarm_and_close_let_go(recorder: components.KeyRecorder) -> None:
    keys = Keystrokes("keys")
    async with at_work(keys):
        for count, let_go in enumerate((keys.release, keys.disarm), 1):
            keys.arm()
            assert keys.send(act(KeyDown(("a",), 30.0)))
            await until(lambda n=count: recorder.told().count(("down", "a")) == n)
            let_go()
            await until(lambda n=count: recorder.told().count(("up", "a")) == n)
        keys.arm()
        assert keys.send(act(KeyDown(("Shift", "b"), 30.0)))
        await until(lambda: ("down", "B") in recorder.told())
    await until(lambda: recorder.told()[-2:] == [("up", "B"), ("up", "Shift_L")])


async def test_nothing_is_sent_while_disarmed(recorder: components.KeyRecorder) -> None:
    keys = Keystrokes("keys")
    await keys.open()
    assert not keys.send(act(Press(("a",))))
    assert keys.counts.refused == 1
    assert "disarmed" in keys.counts.problem
    keys.arm()
    assert keys.send(act(Press(("b",))))
    await until(lambda: ("up", "b") in recorder.told())
    await keys.close()
    assert not keys.send(act(Press(("c",))))
    assert recorder.told() == [("down", "b"), ("up", "b")]


async def test_two_holds_share_a_modifier(recorder: components.KeyRecorder) -> None:
    async with at_work() as keys:
        keys.send(act(KeyDown(("A",), 30.0)))
        keys.send(act(KeyDown(("B",), 30.0)))
        keys.send(act(KeyUp(("A",))))
        await until(lambda: ("up", "A") in recorder.told())
        assert ("up", "Shift_L") not in recorder.told()
        keys.send(act(KeyUp(("B",))))
        await until(lambda: ("up", "Shift_L") in recorder.told())
    assert recorder.told().count(("down", "Shift_L")) == 1


async def test_the_mouse_moves_clicks_and_scrolls(recorder: components.KeyRecorder) -> None:
    async with at_work() as keys:
        keys.send(act(Mouse(dx=-5000, dy=-5000)))
        keys.send(act(Mouse(dx=120, dy=45)))
        keys.send(act(Mouse(button="right", clicks=2)))
        keys.send(act(Mouse(scroll_y=-2, scroll_x=1)))
        await until(lambda: sum(seen.what == "unclick" for seen in recorder.seen) == 5)
    clicks = [seen for seen in recorder.seen if seen.what == "click"]
    # X11 protocol and common practice: 3 is the right button, 4 to 7 are the wheel's up, down, left, right.
    assert [seen.name for seen in clicks] == ["3", "3", "5", "5", "7"]
    assert (clicks[0].x, clicks[0].y) == (120, 45)


async def test_what_the_layout_lacks_is_refused(
    recorder: components.KeyRecorder, caplog: pytest.LogCaptureFixture
) -> None:
    async with at_work() as keys:
        for what in (Press(("F20",)), Press(("é",)), TypeText("naïve"), KeyDown(("あ",), 1.0)):
            keys.send(act(what))
        await until(lambda: keys.counts.refused == 4)
        assert keys.counts.sent == 0
        keys.send(act(Press(("x",))))
        await until(lambda: ("up", "x") in recorder.told())
    assert recorder.told() == [("down", "x"), ("up", "x")]
    assert "cannot type 'é'" in caplog.text
    assert keyboard_choice.typable("é") == "the keyboard layout in use cannot type 'é'"
    assert keyboard_choice.typable("a") is None


async def test_layouts_with_shift_levels_and_groups(
    x_server: components.XServer, tmp_path: Path, recorder: components.KeyRecorder
) -> None:
    x_server.layout("de")
    async with at_work() as keys:
        keys.send(act(TypeText("zäß@Ü")))  # @ is AltGr and Q there, and z and y have changed places
        await until(lambda: sum(each.what == "up" for each in recorder.seen) >= 5 + 2)
    names = [each.name for each in recorder.seen if each.what == "down"]
    modifiers = ("Shift_L", "ISO_Level3_Shift")
    assert [n for n in names if n not in modifiers] == ["z", "adiaeresis", "ssharp", "at", "Udiaeresis"]
    recorder.seen.clear()
    x_server.layout("us,ru")
    async with at_work() as keys:
        keys.send(act(Press(("ф",))))
        await until(lambda: keys.counts.refused == 1)  # the first group is active and has no such letter
        _lock_second_group(x_server)
        keys.send(act(Press(("ф",))))
        keys.send(act(Press(("Ё",))))
        keys.send(act(Press(("PageUp",))))
        await until(lambda: ("up", "Prior") in recorder.told())
        keys.send(act(Press(("f",))))
        await until(lambda: keys.counts.refused == 2)
    names = [each.name for each in recorder.seen if each.what == "down" and each.name != "Shift_L"]
    assert names == ["Cyrillic_ef", "Cyrillic_IO", "Prior"]


def _lock_second_group(server: components.XServer) -> None:
    """The XKEYBOARD extension's LatchLockState request; the client library does not know the extension."""
    from Xlib.display import Display
    from Xlib.protocol import rq

    class UseExtension(rq.ReplyRequest):
        _request = rq.Struct(
            rq.Card8("opcode"), rq.Opcode(0), rq.RequestLength(), rq.Card16("major"), rq.Card16("minor")
        )
        _reply = rq.Struct(
            rq.ReplyCode(), rq.Card8("supported"), rq.Card16("sequence_number"), rq.ReplyLength(), rq.Pad(24)
        )

    class LatchLockState(rq.Request):
        _request = rq.Struct(
            rq.Card8("opcode"), rq.Opcode(5), rq.RequestLength(), rq.Card16("device"), rq.Card8("affect"),
            rq.Card8("locks"), rq.Card8("lock_group"), rq.Card8("group"), rq.Card8("affect_latches"),
            rq.Pad(1), rq.Pad(1), rq.Card8("latch_group"), rq.Card16("group_latch"),
        )  # fmt: skip

    display = Display(server.display)
    major = display.query_extension("XKEYBOARD").major_opcode
    UseExtension(display=display.display, opcode=major, major=1, minor=0)
    LatchLockState(
        display=display.display, opcode=major, device=0x100, affect=0, locks=0, lock_group=1, group=1,
        affect_latches=0, latch_group=0, group_latch=0,
    )  # fmt: skip
    display.sync()
    display.close()


async def test_capitals_lock_does_not_change_what_is_typed(
    x_server: components.XServer, tmp_path: Path
) -> None:
    typed = tmp_path / "typed"
    with components.terminal(x_server, typed):
        async with at_work() as keys:
            for what in (Press(("CapsLock",)), TypeText("aB1"), Press(("CapsLock",)), Press(("Enter",))):
                keys.send(act(what))
                await asyncio.sleep(0.05)
            await until(lambda: typed.read_text().count("\n") >= 2)
    assert typed.read_text() == "ready\naB1\n"


async def test_a_window_condition_asks_for_the_focus(recorder: components.KeyRecorder) -> None:
    recorder.set_title("Slides – trial")
    async with at_work() as keys:
        keys.send(act(Press(("a",)), window="slides"))
        keys.send(act(Press(("b",)), window="letters"))
        await until(lambda: keys.counts.refused == 1)
        keys.send(act(KeyDown(("c",), 30.0), window="Slides"))
        await until(lambda: ("down", "c") in recorder.told())
        recorder.set_title("something else")
        await until(lambda: ("up", "c") in recorder.told())
    assert ("down", "b") not in recorder.told()
    assert ("up", "a") in recorder.told()


async def test_presses_are_limited_by_output_and_in_total(recorder: components.KeyRecorder) -> None:
    keys = Keystrokes("keys", per_second=5)
    async with at_work(keys):
        sent = [keys.send(act(Press(("a",)))) for _ in range(50)]
        await until(lambda: recorder.told().count(("up", "a")) >= sum(sent))
    assert 5 <= sum(sent) <= 6
    assert keys.counts.refused == 50 - sum(sent)
    shared = RateLimit(3)
    first, second = Keystrokes("first", total=shared), Keystrokes("second", total=shared)
    async with at_work(first), at_work(second):
        sent = [output.send(act(Press(("b",)))) for _ in range(5) for output in (first, second)]
    assert 3 <= sum(sent) <= 4


async def test_keys_beyond_the_allow_list_are_refused(
    recorder: components.KeyRecorder, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setenv(allow_list.ENVIRONMENT, "PageDown Control+c")
    async with at_work() as keys:
        allowed = [keys.send(act(what)) for what in (Press(("PageDown",)), Press(("Control", "c")))]
        refused = [
            keys.send(act(what))
            for what in (
                Press(("Control", "v")),
                Press(("c",)),
                TypeText("x"),
                Mouse(button="left", clicks=1),
            )
        ]
        # The guard has read the list itself: it refuses even what the daemon would let through.
        keys._allowed = allow_list.AllowLists()
        keys.send(act(Press(("Delete",))))
        await until(lambda: keys.counts.refused == 5)
    assert all(allowed)
    assert not any(refused)
    assert ("down", "Delete") not in recorder.told()
    assert "not on the list of allowed keys" in caplog.text


async def test_an_allow_list_that_makes_no_sense_allows_nothing(
    x_server: components.XServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(allow_list.ENVIRONMENT, "PageDwn")
    with pytest.raises(OutputError, match="there is no key 'PageDwn'"):
        await Keystrokes("keys").open()


async def test_other_actions_are_refused(x_server: components.XServer) -> None:
    async with at_work() as keys:
        assert not keys.send(act(SendOsc("/a", ())))
        assert not keys.send(act(TypeText("x" * 1001)))
        assert keys.counts.refused == 2


async def test_no_display_is_a_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.setattr(keyboard_choice, "UINPUT", "/nowhere")
    with pytest.raises(OutputError, match=r"DISPLAY is not set|cannot be opened"):
        await Keystrokes("keys").open()
    monkeypatch.setenv("DISPLAY", ":9999")
    with pytest.raises(OutputError, match="display ':9999' cannot be opened"):
        await Keystrokes("keys", back_end="x11").open()


async def test_a_guard_that_dies_is_replaced_by_one_that_releases(
    recorder: components.KeyRecorder, x_server: components.XServer, caplog: pytest.LogCaptureFixture
) -> None:
    async with at_work() as keys:
        keys.send(act(KeyDown(("A",), 30.0)))
        await until(lambda: ("down", "A") in recorder.told())
        first = keys.guard_pid
        assert first is not None
        assert keys.unready() == ""
        os.kill(first, signal.SIGKILL)
        await until(lambda: keys.unready() == "the keystroke guard is not there")
        await until(lambda: ("up", "A") in recorder.told() and ("up", "Shift_L") in recorder.told())
        await until(lambda: keys.guard_pid not in (None, first))
        await until(lambda: keys.send(act(Press(("b",)))))
        await until(lambda: ("up", "b") in recorder.told())
        assert keys.unready() == ""
    assert "starting another" in caplog.text
    assert x_server.keys_down() == []


async def test_a_frozen_guard_is_replaced(recorder: components.KeyRecorder) -> None:
    async with at_work() as keys:
        keys.send(act(KeyDown(("Space",), 30.0)))
        await until(lambda: ("down", "space") in recorder.told())
        assert keys.guard_pid is not None
        os.kill(keys.guard_pid, signal.SIGSTOP)
        await until(lambda: ("up", "space") in recorder.told())


async def test_a_new_x_server_has_no_key_down_and_takes_keys_again(
    x_server: components.XServer, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    async with at_work() as keys:
        with components.key_recorder(x_server) as before:
            keys.send(act(KeyDown(("Space",), 30.0)))
            await until(lambda: ("down", "space") in before.told())
            x_server.stop(9)
        await until(lambda: "screen session has ended" in caplog.text)
        assert keys.send(act(Press(("a",)))), "handed over, to be refused by the guard"
        await until(lambda: "no screen to type on" in keys.counts.problem)
        assert "the screen session has ended" in keys.unready()
        second = await asyncio.to_thread(components.XServer.start, x_server.display)
        try:
            await until(lambda: "a screen to type on again" in caplog.text)
            assert keys.unready() == ""
            assert second.keys_down() == []
            with components.key_recorder(second) as after:
                keys.send(act(Press(("b",))))
                await until(lambda: ("up", "b") in after.told())
                assert after.told() == [("down", "b"), ("up", "b")]
        finally:
            await keys.close()
            second.stop()


def test_every_key_name_of_the_rules_is_known_here() -> None:
    from bridge.outputs.key_names import keysyms

    assert [name for name in NAMED_KEYS if not keysyms(name)] == []


def test_keysyms_agree_with_xlib() -> None:
    """Against python-xlib's own tables of keysymdef.h and XF86keysym.h."""
    from Xlib import XK

    from bridge.outputs.key_names import keysyms

    for group in ("xf86", "latin2", "cyrillic", "greek", "hebrew"):
        XK.load_keysym_group(group)
    expected = {
        "PageDown": "Page_Down", "ArrowLeft": "Left", "Enter": "Return", "Escape": "Escape", "F24": "F24",
        "Space": "space", "Shift": "Shift_L", "AudioVolumeUp": "XF86_AudioRaiseVolume",
        "MediaPlayPause": "XF86_AudioPlay", "MediaTrackNext": "XF86_AudioNext", "ContextMenu": "Menu",
        "AudioVolumeMute": "XF86_AudioMute", "Meta": "Super_L", "PrintScreen": "Print",
        "Backspace": "BackSpace",
        "é": "eacute", "ß": "ssharp", "ł": "lstroke", "ř": "rcaron", "ф": "Cyrillic_ef", "Ё": "Cyrillic_IO",
        "σ": "Greek_sigma", "ς": "Greek_finalsmallsigma", "Ω": "Greek_OMEGA", "א": "hebrew_aleph",
    }  # fmt: skip
    for key, name in expected.items():
        assert XK.string_to_keysym(name) in keysyms(key), (key, name)
