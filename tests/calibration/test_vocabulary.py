"""Labels: what is known, what was meant, and that guide and help say the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.calibration.labels import LabelError, read_labels
from bridge.calibration.vocabulary import CLOSED, EVERYDAY, closest, known, told, unknown_labels
from bridge.commands.calibrate import command as calibrate
from bridge.commands.evaluate import command as evaluate
from bridge.signals.types import Annotation

GUIDE = Path(__file__).resolve().parents[2] / "demos/guides/labels.md"


@pytest.mark.parametrize(
    ("label", "meant"),
    [
        ("deliberate-blink", "blink deliberate"),
        ("deliberate blink", "blink deliberate"),
        ("blink_spontaneous", "blink spontaneous"),
        ("blinks", "blink"),
        ("gaze left", "gaze-left"),
        ("blink deliberat?", "blink deliberate"),
        ("talking", "talk"),
        ("sneeze", ""),
        ("Recording starts", ""),
    ],
)
def test_a_label_that_was_probably_meant_is_named(label: str, meant: str) -> None:
    assert closest(label) == meant
    (unknown,) = unknown_labels([Annotation(1, 0, label), Annotation(2, 0, label)])
    assert (unknown.label, unknown.count, unknown.meant) == (label, 2, meant)
    assert label in told([unknown])
    assert "blink deliberate | spontaneous" in told([unknown])


def test_every_known_label_and_own_mark_is_understood() -> None:
    own = ("step act blink", "cue blink deliberate", "do talk", "event: blink", "rule: Lamp", "step repeated")
    every = [*known(), *own, "blink?", "Gaze-Left ?", "gap", "end of signal"]
    assert unknown_labels([Annotation(1, 1, label) for label in every]) == []


def test_the_guide_and_the_help_name_them_all() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    inner = ("signal-", "fit-", "looking-")
    for label in known():
        if not label.startswith(inner):
            assert f"`{label}`" in text, label
    for command in (calibrate, evaluate):
        said = " ".join(CliRunner().invoke(command, ["--help"]).output.split())
        for word in (*EVERYDAY, CLOSED, "deliberate", "spontaneous", "contraction light", "gaze-left"):
            assert word in said, (command.name, word)


def test_intervals_cut_the_time_and_are_named() -> None:
    labels = read_labels(
        [Annotation(2, 18, "rest"), Annotation(30, 10, "talk"), Annotation(35, 10, "look around")],
        ("blink",),
        0,
        60,
    )
    assert [(part.start_s, part.end_s, part.name) for part in labels.counted] == [
        (5, 20, "rest"),
        (20, 30, ""),
        (30, 35, "talk"),
        (35, 45, "look around"),
        (45, 60, ""),
    ]
    assert labels.minutes == pytest.approx(55 / 60)
    with pytest.raises(LabelError, match="has no duration"):
        read_labels([Annotation(10, 0, "rest")], ("blink",), 0, 60)


def test_closed_eyes_may_be_labelled_as_the_rhythm() -> None:
    labels = read_labels([Annotation(20, 20, "alpha")], ("alpha",), 0, 60)
    assert [(part.seconds, part.name) for part in labels.named("closed")] == [(20, "closed")]


def test_for_commands_a_spontaneous_blink_is_no_act_and_a_plain_one_counts_neither_way() -> None:
    """Meant and unmeant blinks differ in height, not in duration (Kaneko & Sakamoto 1999)."""
    marks = [
        Annotation(10, 0, "blink deliberate"),
        Annotation(12, 0, "blink spontaneous"),
        Annotation(14, 0, "blink"),
    ]
    labels = read_labels(marks, ("blink",), 0, 60)
    assert labels.for_commands
    assert [act.time_s for act in labels.firm] == [10, 12, 14]
    commands = labels.commands()
    assert [act.time_s for act in commands.firm] == [10]
    assert [act.time_s for act in commands.acts] == [10, 14]
    alike = read_labels(marks[1:], ("blink",), 0, 60)
    assert not alike.for_commands
    assert alike.commands() == alike
