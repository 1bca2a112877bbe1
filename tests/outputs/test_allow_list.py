"""The list of allowed keys: what it lets through, and that it fails closed."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.outputs.allow_list import AllowListError, AllowLists, load, parse


def test_without_a_list_every_key_may_go(tmp_path: Path) -> None:
    lists = load({"XDG_CONFIG_HOME": str(tmp_path)})
    assert lists == AllowLists()
    assert lists.refusal(("Control", "Alt", "Delete")) == ""
    assert lists.text_refusal("anything") == ""
    assert lists.mouse_refusal() == ""


def test_entries_keys_combinations_and_groups() -> None:
    lists = AllowLists((parse("PageDown Shift Control+c\n# a remark\ndigits # too\n#\n", "here"),))
    allowed = [("PageDown",), ("Shift", "PageDown"), ("Control", "c"), ("c", "Control"), ("7",), ("#",)]
    refused = [("c",), ("Control",), ("Control", "PageDown"), ("Control", "c", "Shift"), ("a",), ("Enter",)]
    assert [lists.refusal(keys) for keys in allowed] == [""] * len(allowed)
    assert all("here" in lists.refusal(keys) for keys in refused)
    assert lists.text_refusal("12 3")
    assert lists.text_refusal("123") == ""
    assert "mouse" in lists.mouse_refusal()
    everything = AllowLists((parse("text, mouse", "here"),))
    assert everything.text_refusal("Hello, world") == everything.mouse_refusal() == ""


def test_variable_and_file_must_both_agree(tmp_path: Path) -> None:
    folder = tmp_path / "biosignal-bridge"
    folder.mkdir()
    (folder / "keys.allow").write_text("PageDown\nPageUp\n")
    environment = {"XDG_CONFIG_HOME": str(tmp_path), "BIOSIGNAL_BRIDGE_KEYS": "PageDown,Enter"}
    lists = load(environment)
    assert lists.refusal(("PageDown",)) == ""
    assert "keys.allow" in lists.refusal(("Enter",))
    assert "BIOSIGNAL_BRIDGE_KEYS" in lists.refusal(("PageUp",))
    environment["BIOSIGNAL_BRIDGE_KEYS"] = ""
    assert load(environment).refusal(("PageDown",)), "an empty list allows nothing"


def test_a_list_that_cannot_be_read_or_understood_is_an_error(tmp_path: Path) -> None:
    folder = tmp_path / "biosignal-bridge"
    (folder / "keys.allow").mkdir(parents=True)
    with pytest.raises(AllowListError, match="cannot be read"):
        load({"XDG_CONFIG_HOME": str(tmp_path)})
    (folder / "keys.allow").rmdir()
    (folder / "keys.allow").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(AllowListError, match="cannot be read"):
        load({"XDG_CONFIG_HOME": str(tmp_path)})
    with pytest.raises(AllowListError, match=r"here:2: there is no key 'Pagedwn'"):
        parse("PageUp\nPagedwn", "here")


@given(st.text(max_size=60))
def test_any_text_is_a_list_or_a_clear_error(text: str) -> None:
    message = "here:"
    try:
        parse(text, "here")
    except AllowListError as error:
        message = str(error)
    assert message.startswith("here:")
