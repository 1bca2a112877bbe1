"""The registry of detectors: one line each."""

from __future__ import annotations

from bridge.detectors import alpha, blink, contraction, drowsiness, gaze, heartbeat
from bridge.detectors.protocol import Detector, DetectorType, SettingsError, Trace, settings_from

DETECTORS: dict[str, DetectorType] = {
    blink.TYPE.name: blink.TYPE,
    gaze.TYPE.name: gaze.TYPE,
    contraction.TYPE.name: contraction.TYPE,
    heartbeat.TYPE.name: heartbeat.TYPE,
    drowsiness.TYPE.name: drowsiness.TYPE,
    alpha.TYPE.name: alpha.TYPE,
}

__all__ = ["DETECTORS", "Detector", "DetectorType", "SettingsError", "Trace", "settings_from"]
