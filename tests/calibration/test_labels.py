"""References and sessions as labels, and the orders that make no sense."""

from __future__ import annotations

import pytest

from bridge.calibration.labels import LabelError, read_labels
from bridge.signals.types import Annotation

BLINK = ("blink",)
GAZE = ("gaze-left", "gaze-right")


def test_a_reference_counts_after_the_learning_time() -> None:
    labels = read_labels(
        [
            Annotation(2, 0, "blink"),
            Annotation(8, 0, "blink"),
            Annotation(9, 0, "blink?"),
            Annotation(9, 1, "alpha"),
        ],
        BLINK,
        0,
        60,
    )
    assert [act.time_s for act in labels.firm] == [8]
    assert [act.time_s for act in labels.acts] == [2, 8, 9]
    assert labels.minutes == pytest.approx(55 / 60)
    assert not labels.session


def test_a_cue_just_before_the_learning_time_ends_is_answered_after_it() -> None:
    labels = read_labels(
        [Annotation(4.9, 5, "contraction"), Annotation(4.5, 0.2, "contraction")], ("contraction",), 0, 60
    )
    assert [act.time_s for act in labels.firm] == [4.9]


def test_a_session_knows_its_steps_and_looks_back_the_other_way() -> None:
    labels = read_labels(
        [
            Annotation(5, 20, "step rest"),
            Annotation(28, 30, "step act gaze"),
            Annotation(30, 0, "cue gaze-left"),
            Annotation(32, 0, "cue gaze-centre"),
            Annotation(60, 10, "step verify gaze"),
            Annotation(62, 0, "cue gaze-right"),
            Annotation(64, 0, "cue gaze-centre"),
        ],
        GAZE,
        0,
        80,
    )
    assert [(act.kind, act.strength, act.verify) for act in labels.acts] == [
        ("gaze-left", "", False),
        ("gaze-right", "back", False),
        ("gaze-right", "", True),
        ("gaze-left", "back", True),
    ]
    assert labels.counts_at(10)
    assert not labels.counts_at(26)
    assert labels.session


def test_a_repeated_step_voids_the_one_before() -> None:
    labels = read_labels(
        [
            Annotation(5, 20, "step act blink"),
            Annotation(7, 0, "cue blink deliberate"),
            Annotation(9, 0, "step repeated"),
            Annotation(12, 20, "step act blink"),
            Annotation(14, 0, "cue blink deliberate"),
        ],
        BLINK,
        0,
        60,
    )
    assert [act.time_s for act in labels.firm] == [14]


@pytest.mark.parametrize(
    ("annotations", "message"),
    [
        ([Annotation(1, 9, "step act gaze"), Annotation(2, 0, "cue gaze-centre")], "none before it"),
        (
            [
                Annotation(1, 9, "step act gaze"),
                Annotation(2, 0, "cue gaze-left"),
                Annotation(4, 0, "cue gaze-right"),
            ],
            "without looking back",
        ),
        ([Annotation(900, 0, "gaze-left")], "outside the recording"),
    ],
)
def test_orders_that_make_no_sense_are_told(annotations: list[Annotation], message: str) -> None:
    with pytest.raises(LabelError, match=message):
        read_labels(annotations, GAZE, 0, 60)


def test_overlapping_cues_are_told() -> None:
    with pytest.raises(LabelError, match="two sessions are mixed"):
        read_labels(
            [Annotation(10, 5, "contraction"), Annotation(12, 5, "contraction")], ("contraction",), 0, 60
        )
    # Marked from the cue on until the act was over: 0.3 s into the next cue.
    close = [Annotation(10, 4.3, "contraction"), Annotation(14, 4.3, "contraction")]
    assert len(read_labels(close, ("contraction",), 0, 60).firm) == 2
    step = Annotation(1, 50, "step act blink")
    with pytest.raises(LabelError, match=r"only 0\.10 s apart"):
        read_labels([step, Annotation(10, 0, "cue blink"), Annotation(10.1, 0, "cue blink")], BLINK, 0, 60)
