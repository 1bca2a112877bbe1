"""What a page may say: anything else is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.monitor import messages


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ('{"type":"start"}', messages.Start),
        ('{"type":"view","visible":false}', messages.View),
        ('{"type":"pause","paused":true}', messages.Pause),
        ('{"type":"arm","armed":true}', messages.Arm),
        ('{"type":"tune","id":1,"stream":"","detector":"blink","settings":{"a":null,"b":2}}', messages.Tune),
        ('{"type":"keep","detector":"blink","settings":{"threshold":80.5}}', messages.Keep),
    ],
)
def test_known_messages(text: str, kind: type) -> None:
    assert isinstance(messages.parse(text), kind)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "null",
        "[]",
        "{}",
        '{"type":"stop"}',
        '{"type":"pause"}',
        '{"type":"pause","paused":"yes"}',
        '{"type":"pause","paused":1}',
        '{"type":"pause","paused":true,"also":1}',
        '{"type":"keep","detector":"blink","settings":{"threshold":[1]}}',
        '{"type":"keep","detector":"blink","settings":{"threshold":NaN}}',
        '{"type":"keep","detector":"blink","settings":{"threshold":1e999}}',
        '{"type":"tune","id":-1,"stream":"","detector":"blink","settings":{}}',
        "[" * 4000,
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="mistake"):
        messages.parse(text)


@given(st.text(max_size=200))
def test_noise_is_refused_quietly(text: str) -> None:
    with pytest.raises(ValueError, match="mistake"):
        messages.parse(text)
