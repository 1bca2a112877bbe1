"""Kinds told from names: International 10-20 System, ECG lead names, EDF+ standard labels."""

from __future__ import annotations

import pytest

from bridge.recordings.kinds import channel_name, kind_of, unit_in, unit_of


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("vertical", "eog-vertical"),
        ("Horizontal", "eog-horizontal"),
        ("eog-horizontal", "eog-horizontal"),
        ("EOG_vertical", "eog-vertical"),
        ("ecg", "ecg"),
        ("ECG1", "ecg"),
        ("emg", "emg"),
        ("emg-2", "emg"),
        ("envelope", "emg-envelope"),
        ("emg-envelope", "emg-envelope"),
        ("EEG", "eeg"),
        ("Fp1", "eeg"),
        ("FPZ", "eeg"),
        ("AF3", "eeg"),
        ("Cz", "eeg"),
        ("O1", "eeg"),
        ("TP10", "eeg"),
        ("Fp1-A2", "eeg"),
        ("O1-Ref", "eeg"),
        ("MLII", "ecg"),
        ("V1", "ecg"),
        ("V6", "ecg"),
        ("I", "ecg"),
        ("II", "ecg"),
        ("III", "ecg"),
        ("aVR", "ecg"),
        ("ECG II", "ecg"),
        ("EKG", "ecg"),
        ("EEG Fp1", "eeg"),
        ("EEG Fpz-Cz", "eeg"),
        ("EOG horizontal", "eog-horizontal"),
        ("EOG V", "eog-vertical"),
        ("EMG left arm", "emg"),
        ("left arm EMG", "emg"),
        ("vertical [uV]", "eog-vertical"),
        ("ecg (mV)", "ecg"),
    ],
)
def test_names_that_say_a_kind(name: str, kind: str) -> None:
    assert kind_of(name) == kind


@pytest.mark.parametrize(
    "name",
    ["ring1", "left", "x", "EOG", "EOG left", "Resp chest", "SaO2", "A0", "channel 1", "", "Temp", "V10"],
)
def test_names_that_do_not(name: str) -> None:
    assert kind_of(name) is None


def test_units() -> None:
    assert (channel_name("ecg [mV]"), unit_in("ecg [mV]")) == ("ecg", "mV")
    assert unit_of("µV") == ("uV", 1.0)
    assert unit_of("μV") == ("uV", 1.0)  # the Greek letter, which is another character
    assert unit_of("V") == ("uV", 1e6)
    assert unit_of("") == ("count", 1.0)
    assert unit_of("degC") == ("count", 1.0)
