"""One-to-one matching against scipy's maximum bipartite matching, and the rules of the windows."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from bridge.evaluation.families import marks
from bridge.evaluation.matching import match
from bridge.signals.types import Annotation, Event


def event(onset_s: float, kind: str = "blink") -> Event:
    return Event(kind, "instant", onset_s, onset_s + 0.1, "x")


def reference(*rows: tuple[float, float, str], kinds: tuple[str, ...] = ("blink",)):  # type: ignore[no-untyped-def]
    return marks([Annotation(*row) for row in rows], kinds)


def outcome(matching) -> tuple[int, int, int, int]:  # type: ignore[no-untyped-def]
    return (
        len(matching.found), len(matching.missed), len(matching.false_alarms), len(matching.passed_over),
    )  # fmt: skip


moments = st.lists(st.integers(0, 400).map(lambda hundredth: hundredth / 100), max_size=25).map(sorted)


@given(moments, moments)
def test_no_pairing_finds_more(at: list[float], seen: list[float]) -> None:
    """As many pairs within 150 ms as scipy's Hopcroft-Karp finds, and every item used at most once."""
    result = match(reference(*((onset, 0.0, "blink") for onset in at)), [event(onset) for onset in seen])
    near = np.abs(np.subtract.outer(at, seen)).reshape(len(at), len(seen)) <= 0.15 + 1e-12
    best = 0
    if near.size:
        best = int((maximum_bipartite_matching(csr_array(near.astype(int)), perm_type="column") >= 0).sum())
    assert len(result.found) == best
    assert len(result.found) + len(result.missed) == len(at)
    assert len(result.found) + len(result.false_alarms) == len(seen)
    assert all(abs(mark.onset_s - found.onset) <= 0.15 + 1e-9 for mark, found in result.found)


def test_two_detections_cannot_claim_one_beat() -> None:
    result = match(reference((1.0, 0, "blink")), [event(0.95), event(1.05)])
    assert outcome(result) == (1, 0, 1, 0)


def test_an_optional_label_is_no_error_found_or_missed() -> None:
    labels = reference((1.0, 0, "blink?"), (2.0, 0, "blink?"))
    assert outcome(match(labels, [event(1.02)])) == (0, 0, 0, 1)


def test_a_firm_label_goes_before_an_optional_one() -> None:
    labels = reference((1.0, 0, "blink?"), (1.1, 0, "blink"))
    assert outcome(match(labels, [event(1.04)])) == (1, 0, 0, 0)


def test_labels_of_other_kinds_are_passed_over() -> None:
    assert outcome(match(reference((1.0, 0, "chewing"), (2.0, 0, "blink")), [event(2.0)])) == (1, 0, 0, 0)


def test_the_direction_of_a_shift_must_be_equal() -> None:
    kinds = ("gaze-left", "gaze-right")
    labels = reference((1.0, 0, "gaze-left"), kinds=kinds)
    assert outcome(match(labels, [event(1.05, "gaze-right")])) == (0, 1, 1, 0)
    assert outcome(match(labels, [event(1.35, "gaze-left")])) == (1, 0, 0, 0)
    assert outcome(match(labels, [event(0.85, "gaze-left")])) == (0, 1, 1, 0)


def test_a_cued_interval_matches_from_0_3_s_before_to_1_5_s_after() -> None:
    for onset_s, hit in ((9.6, False), (9.71, True), (11.49, True), (11.6, False)):
        labels = reference((10.0, 5.0, "contraction"), kinds=("contraction",))
        found = Event("contraction", "start", onset_s, onset_s + 0.1, "arm")
        assert (len(match(labels, [found]).found) == 1) is hit, onset_s


def test_what_lies_in_the_learning_time_is_not_scored() -> None:
    labels = reference((4.95, 0, "blink"), (4.0, 0, "blink"))
    assert outcome(match(labels, [event(5.01)], from_s=5.0)) == (0, 0, 0, 1)
