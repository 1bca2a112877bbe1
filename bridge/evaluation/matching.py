"""One-to-one matching of detections to a reference.

Among all ways of pairing, one is taken that finds as many firm references as can be found, then leaves as few
detections over as can be, then has the smallest sum of time differences.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from bridge.detectors.kinds import Tolerance
from bridge.evaluation.families import Mark, tolerance_for
from bridge.signals.types import Event

ToleranceRule = Callable[[str, bool], Tolerance]


@dataclass(frozen=True, slots=True)
class Matching:
    """What became of each reference and each detection that was scored.

    ``passed_over`` are detections that answered an optional reference, or one from the learning time.
    """

    found: tuple[tuple[Mark, Event], ...]
    missed: tuple[Mark, ...]
    false_alarms: tuple[Event, ...]
    passed_over: tuple[Event, ...]


def match(
    reference: Sequence[Mark],
    detected: Sequence[Event],
    *,
    from_s: float = 0.0,
    tolerance: ToleranceRule = tolerance_for,
) -> Matching:
    """Pair references and detections, both in order of onset.

    What lies before ``from_s`` is not scored, but may be the other half of a pair that is: a cue in the
    learning time answered after it, or the reverse, is no error.
    """
    pairs = _pairs(reference, detected, tolerance)
    firm = [not mark.optional and mark.onset_s >= from_s for mark in reference]
    counted = [event.onset >= from_s for event in detected]
    partner: dict[int, int] = {}
    for component in _components(pairs):
        partner.update(_assign(component, firm, counted))
    taken = {d: r for r, d in partner.items()}
    return Matching(
        found=tuple((reference[r], detected[d]) for r, d in sorted(partner.items()) if firm[r]),
        missed=tuple(mark for r, mark in enumerate(reference) if firm[r] and r not in partner),
        false_alarms=tuple(event for d, event in enumerate(detected) if counted[d] and d not in taken),
        passed_over=tuple(
            event for d, event in enumerate(detected) if counted[d] and d in taken and not firm[taken[d]]
        ),
    )


_Pair = tuple[int, int, float]  # reference, detection, share of the tolerance that they are apart


def _pairs(reference: Sequence[Mark], detected: Sequence[Event], tolerance: ToleranceRule) -> list[_Pair]:
    onsets = np.array([event.onset for event in detected])
    found: list[_Pair] = []
    for r, mark in enumerate(reference):
        allowed = tolerance(mark.kind, mark.is_interval)
        low = int(np.searchsorted(onsets, mark.onset_s - allowed.before_s - 1e-6))
        width = max(allowed.before_s, allowed.after_s, 1e-9)
        for d in range(low, len(detected)):
            difference = detected[d].onset - mark.onset_s
            if difference > allowed.after_s + 1e-6:
                break
            if allowed.holds(difference) and detected[d].kind == mark.kind:
                found.append((r, d, abs(difference) / width))
    return found


def _components(pairs: Sequence[_Pair]) -> list[list[_Pair]]:
    """Pairs that compete for the same references or detections, group by group."""
    parent: dict[tuple[str, int], tuple[str, int]] = {}

    def root(node: tuple[str, int]) -> tuple[str, int]:
        parent.setdefault(node, node)
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for r, d, _ in pairs:
        parent[root(("reference", r))] = root(("detection", d))
    groups: dict[tuple[str, int], list[_Pair]] = {}
    for pair in pairs:
        groups.setdefault(root(("reference", pair[0])), []).append(pair)
    return list(groups.values())


def _assign(pairs: Sequence[_Pair], firm: Sequence[bool], counted: Sequence[bool]) -> dict[int, int]:
    if len(pairs) == 1:
        return {pairs[0][0]: pairs[0][1]}
    from scipy.optimize import linear_sum_assignment

    rows = sorted({r for r, _, _ in pairs})
    columns = sorted({d for _, d, _ in pairs})
    most = min(len(rows), len(columns)) + 1.0
    gain = np.zeros((len(rows), len(columns)))
    for r, d, apart in pairs:
        # In this order: firm references found, scored detections used up, closeness.
        gain[rows.index(r), columns.index(d)] = (
            firm[r] * 4 * most**2 + counted[d] * 2 * most + (1 - apart) + 1e-6
        )
    chosen = linear_sum_assignment(gain, maximize=True)
    return {rows[i]: columns[j] for i, j in zip(*chosen, strict=True) if gain[i, j] > 0}
