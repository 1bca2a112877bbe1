"""The public face: its names and parameters are pinned, it loads late, its worked examples run."""

from __future__ import annotations

import inspect
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import bridge
from bridge import library
from bridge.signals.types import moment

GUIDE = Path(__file__).resolve().parents[1] / "demos" / "guides" / "library.md"

# Whoever changes this changes what other people's programs rely on: say so in demos/guides/changes.md.
FACE = {
    "LiveDetection": "(channels, rate, detectors, *, profile=None, settings=None)",
    "LiveDetection.end": "(self)",
    "LiveDetection.feed": "(self, samples, *, first=None)",
    "LiveRules": "(rules, channels, rate, *, profile=None)",
    "LiveRules.end": "(self)",
    "LiveRules.feed": "(self, samples, *, first=None)",
    "LiveRules.pause": "(self)",
    "LiveRules.resume": "(self)",
    "array_of": "(recording)",
    "detect": "(recording, detector, *, channels=(), profile=None, settings=None)",
    "detector_names": "()",
    "evaluate": "(recording, detector, reference=None, *, channels=(), profile=None, settings=None, skip_s=5.0)",
    "fit": "(recording, detector, reference=None, *, channels=(), profile=None, person='me', device='board', "
    "date='', few=False)",
    "parse_rules": "(text, name='rules')",
    "read": "(path, *, rate=None, channels=None)",
    "read_annotations": "(path, *, rate=None)",
    "read_profile": "(path)",
    "read_rules": "(path)",
    "recording_of": "(samples, channels, rate, annotations=())",
    "synthetic": "(seconds, *, seed=0, rate=250.0)",
    "write_profile": "(path, profile)",
}
TYPES = {
    "Action": ("time", "rule", "output", "act", "cause", "safe", "window"),
    "Annotation": ("onset", "duration", "label"),
    "Channel": ("name", "kind", "unit", "low", "high", "step"),
    "ChannelChoice": ("name", "kind"),
    "Event": (
        "kind", "edge", "onset", "decided", "channel", "values", "confidence", "detector", "note", "unknown"
    ),
    "Level": ("kind", "time", "value", "channel", "detector"),
    "Outcome": ("detections", "actions"),
    "Profile": ("person", "device", "detectors"),
    "StreamInfo": ("channels", "rate"),
}  # fmt: skip
ERRORS = {"BindingError", "LabelError", "ProfileError", "RecordingError", "RuleFileErrors", "SettingsError"}
OTHER = {"Recording", "RuleFile", "Score"}


def parameters(thing: object) -> str:
    signature = inspect.signature(thing)  # type: ignore[arg-type]
    plain = [one.replace(annotation=inspect.Parameter.empty) for one in signature.parameters.values()]
    return str(signature.replace(parameters=plain, return_annotation=inspect.Signature.empty))


def test_names_and_parameters_are_pinned() -> None:
    assert list(bridge.__all__) == list(library.__all__) == sorted(library.__all__)
    plain = {name.partition(".")[0] for name in FACE}
    assert set(library.__all__) == plain | set(TYPES) | ERRORS | OTHER
    for name, wanted in FACE.items():
        owner, _, method = name.partition(".")
        thing = getattr(bridge, owner)
        assert parameters(getattr(thing, method) if method else thing) == wanted, name
    for name, fields in TYPES.items():
        assert tuple(inspect.signature(getattr(bridge, name)).parameters) == fields, name
    assert all(issubclass(getattr(bridge, name), Exception) for name in ERRORS)


def test_everything_public_is_described() -> None:
    for name in library.__all__:
        thing = getattr(library, name)
        assert len(inspect.getdoc(thing) or "") > 20, name
        for method, function in inspect.getmembers(thing, inspect.isfunction):
            if not method.startswith("_") and name in ("LiveDetection", "LiveRules"):
                assert len(inspect.getdoc(function) or "") > 20, f"{name}.{method}"


def loaded_by(code: str) -> set[str]:
    program = f"import sys\n{code}\nprint(*sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_nothing_is_loaded_before_it_is_asked_for() -> None:
    bare = loaded_by("import bridge; bridge.__version__; hasattr(bridge, 'nothing')")
    assert not {"numpy", "bridge.library"} & bare
    # The daemon's own imports look for submodules as attributes first.
    daemon = loaded_by(
        "from bridge import outputs, sources\nimport bridge.commands.run, bridge.service.daemon"
    )
    assert "bridge.sources" in daemon
    assert not {"bridge.library", "bridge.evaluation.running"} & daemon
    assert "bridge.library" in loaded_by("import bridge; bridge.detect")
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        bridge.nothing  # noqa: B018
    assert set(library.__all__) <= set(dir(bridge))


EXAMPLES = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)


def example(number: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    assert len(EXAMPLES) == 4
    monkeypatch.chdir(folder)
    names: dict[str, object] = {}
    exec(compile(EXAMPLES[number], f"library.md, example {number + 1}", "exec"), names)
    return names


def test_example_events_from_an_array(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    beats = example(0, tmp_path, monkeypatch)["beats"]
    truth = [one.onset for one in bridge.synthetic(60, seed=1).annotations if one.label == "heartbeat"]
    later = [one for one in truth if 5 < one < 59]
    assert isinstance(beats, list)
    onsets = np.array([beat.onset for beat in beats if beat.kind == "heartbeat"])
    assert all(np.abs(onsets - one).min() < 0.15 for one in later)  # EC57's window
    assert len(onsets) <= len(truth)


def test_example_score(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    score = example(1, tmp_path, monkeypatch)["score"]
    assert isinstance(score, bridge.Score)
    assert score.reference > 25
    assert score.sensitivity > 0.9


def test_example_profile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = example(2, tmp_path, monkeypatch)
    assert (tmp_path / "me.yaml").stat().st_size > 300
    assert bridge.read_profile(tmp_path / "me.yaml") == names["profile"] or isinstance(
        names["profile"], bridge.Profile
    )
    grips = names["grips"]
    assert isinstance(grips, list)
    truth = [one for one in bridge.synthetic(60, seed=4).annotations if one.label == "contraction"]
    assert sum(event.kind == "contraction" and event.edge == "start" for event in grips) == len(truth)


def test_example_rules(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sent = example(3, tmp_path, monkeypatch)["sent"]
    assert isinstance(sent, list)
    acts = [type(action.act).__name__ for action in sent]
    assert len(acts) >= 4
    assert acts == ["KeyDown", "KeyUp"] * (len(acts) // 2)


def test_a_stream_gives_what_a_recording_gives_however_it_is_cut() -> None:
    recording = bridge.synthetic(30, seed=6)
    block = bridge.array_of(recording)
    whole = bridge.detect(recording, "blink", channels=["forehead"])
    assert len(whole) > 4
    for size in (1, 37):
        live = bridge.LiveDetection(recording.info.channels, 250, ["blink"])
        found = [item for at in range(0, len(block), size) for item in live.feed(block[at : at + size])]
        found += live.end()
        events = [item for item in found if isinstance(item, bridge.Event)]
        assert sorted(events, key=moment) == whole


def test_lost_samples_move_what_comes_after() -> None:
    recording = bridge.synthetic(30, seed=6)
    samples = bridge.array_of(recording)[:, 3]
    channel = [bridge.Channel("chest", "ecg", "uV")]
    live = bridge.LiveDetection(channel, 250, ["heartbeat"])
    live.feed(samples[:2500])
    after = live.feed(samples[2500:], first=5000)
    onsets = [item.onset for item in after if isinstance(item, bridge.Event) and item.kind == "heartbeat"]
    truth = [one.onset + 10 for one in recording.annotations if one.label == "heartbeat" and one.onset > 16]
    assert len(truth) > 10
    assert all(min(abs(np.array(onsets) - one)) < 0.15 for one in truth[:-1])
    with pytest.raises(ValueError, match="fed already"):
        live.feed(samples[:10], first=100)


def test_an_array_goes_there_and_back() -> None:
    samples = np.arange(10.0).reshape(5, 2)
    channels = [bridge.Channel("a", "emg"), bridge.Channel("b", "emg")]
    made = bridge.recording_of(samples, channels, 250, [bridge.Annotation(0.01, 0, "contraction")])
    samples[0, 0] = 99  # ours is a copy
    assert bridge.array_of(made).tolist() == np.arange(10.0).reshape(5, 2).tolist()
    assert made.annotations[0].label == "contraction"


def test_wrong_use_is_told_in_words() -> None:
    channel = bridge.Channel("chest", "ecg", "uV")
    with pytest.raises(ValueError, match=r"shape \(n, 1\), not \(3, 2\)"):
        bridge.recording_of(np.zeros((3, 2)), [channel], 250)
    with pytest.raises(ValueError, match="above 0 Hz"):
        bridge.recording_of(np.zeros(3), [channel], 0)
    with pytest.raises(ValueError, match="at least one channel"):
        bridge.LiveDetection([], 250, ["heartbeat"])
    recording = bridge.recording_of(np.zeros(300), [channel], 250)
    with pytest.raises(bridge.BindingError, match="no detector 'wink'"):
        bridge.detect(recording, "wink")
    with pytest.raises(bridge.BindingError, match="needs a channel of kind"):
        bridge.detect(recording, "contraction")
    two = bridge.recording_of(np.zeros((300, 2)), [channel, bridge.Channel("back", "ecg", "uV")], 250)
    with pytest.raises(bridge.BindingError, match="name one in `channels`"):
        bridge.evaluate(two, "heartbeat", [])
    with pytest.raises(bridge.RuleFileErrors, match="rules:1:"):
        bridge.parse_rules("nonsense: 1")
    assert bridge.detect(bridge.recording_of([], [channel], 250), "heartbeat") == []


def test_real_beats_from_an_array(data_dir: Path) -> None:
    """MIT-BIH record 100 read, cut to an array and given back: the events of the file, scored by its own beats."""
    chosen = [bridge.ChannelChoice("MLII")]
    recording = bridge.read(data_dir / "ecg" / "100", channels=chosen)
    samples = bridge.array_of(recording)
    made = bridge.recording_of(samples, recording.info.channels, recording.info.rate)
    assert bridge.detect(made, "heartbeat") == bridge.detect(recording, "heartbeat")
    reference = bridge.read_annotations(data_dir / "ecg" / "100.atr", rate=recording.info.rate)
    assert bridge.evaluate(made, "heartbeat", reference).sensitivity > 0.99
