"""The limit on events in ten seconds that a profile gives."""

from __future__ import annotations

import pytest
from scipy import stats

from bridge.calibration.evidence import Counts, Evidence, Prediction
from bridge.calibration.expected import most_in_window
from bridge.calibration.profile import DetectorProfile, MadeOn, Profile
from bridge.detectors import DETECTORS
from bridge.pipeline import DetectionChain, Wanted, bind
from bridge.signals.types import Channel, StreamInfo


def evidence(others: int, minutes: float, acts: int = 10) -> Evidence:
    counts = Counts({"blink deliberate": acts} if acts else {}, acts, others, minutes)
    return Evidence(counts, None, None, Prediction(acts, acts, 0, minutes))


@pytest.mark.parametrize(("others", "minutes"), [(0, 3.0), (40, 2.5), (80, 3.0)])
def test_the_limit_is_acts_and_what_may_come_unasked(others: int, minutes: float) -> None:
    """The upper end of scipy.stats' negative binomial (gamma-Poisson, Jeffreys' prior), and twenty acts."""
    p = minutes / (minutes + 1 / 6)
    upper = stats.nbinom.ppf(1 - 0.0002 / 2, others + 0.5, p)
    assert most_in_window(evidence(others, minutes), 1000) == 20 + upper


def test_it_is_never_above_what_a_body_makes_and_nothing_known_changes_nothing() -> None:
    assert most_in_window(evidence(300, 3.0), 40) == 40
    assert most_in_window(evidence(0, 0.0), 40) == 40
    assert most_in_window(evidence(5, 3.0, acts=0), 45) == 45


def test_a_chain_with_a_profile_uses_it() -> None:
    channel = Channel("vertical", "eog-vertical", "uV")
    info = StreamInfo((channel,), 250.0)
    version = DETECTORS["blink"].version
    part = DetectorProfile({}, MadeOn((channel,), 250.0, version, "", "2026-01-05"), evidence(0, 3.0))
    binding = bind(info, [Wanted("blink")])[0].fitted(info, Profile("Aki", "board", {"blink": part}))
    plain, fitted = bind(info, [Wanted("blink")])[0], binding
    assert plain.most_in_10_s is None
    assert fitted.most_in_10_s is not None
    assert fitted.most_in_10_s < DETECTORS["blink"].most_in_10_s
    DetectionChain(info, [fitted])
