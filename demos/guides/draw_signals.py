"""Draws what good and bad signals look like, from open recordings, for the first-hour guide.

`python demos/guides/draw_signals.py DATA`: DATA is the folder that the tests know as BRIDGE_DATA. Needs the
extra `plots`. Sources: MIT-BIH Arrhythmia Database and Noise Stress Test (PhysioNet, ODC-By 1.0),
the open EOG sample of the NeuroKit project (MIT), class experiments of the NeuroTechX notebooks (BSD-3), EMG
data for gestures of Lobov and others 2018 (CC BY 4.0).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import bridge

PICTURE = Path(__file__).resolve().parents[1] / "pictures" / "signals.png"


@dataclass(frozen=True)
class Panel:
    """A stretch of a recording. ``reason``: what the signal check says of it, nothing where it is good."""

    file: str
    channel: bridge.ChannelChoice
    start_s: float
    seconds: float
    title: str
    unit: str
    reason: str = ""


PANELS = (
    Panel(
        "eeg/band-c101.csv",
        bridge.ChannelChoice("AF7", "eeg"),
        20.0,
        8.0,
        "Good: blinks stand out, one by one",
        "µV",
    ),
    Panel(
        "eog/blinks-200hz.csv",
        bridge.ChannelChoice("vertical", "eog-vertical"),
        15.0,
        8.0,
        "Mains hum: blinks on a thick band",
        "µV",
        "mains hum",
    ),
    Panel("ecg/100.hea", bridge.ChannelChoice("MLII", "ecg"), 20.0, 8.0, "Good: one sharp peak a beat", "mV"),
    Panel(
        "ecg/noise-118e06.csv",
        bridge.ChannelChoice("ecg"),
        60.0,
        8.0,
        "An electrode that moves: beats drown in waves",
        "mV",
        "moves",
    ),
    Panel(
        "emg/gestures-01-1.csv",
        bridge.ChannelChoice("ring1", "emg"),
        10.0,
        8.0,
        "Good: quiet at rest, dense while squeezing",
        "counts",
    ),
    Panel(
        "eeg/band-c1101.csv",
        bridge.ChannelChoice("AF7", "eeg"),
        20.0,
        8.0,
        "At the edge of the range: nothing can be read",
        "µV",
        "railed",
    ),
)


def draw(data: Path, target: Path) -> None:
    import matplotlib

    matplotlib.use("agg")
    matplotlib.rcParams["font.size"] = 9
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(3, 2, figsize=(9, 6.5), layout="constrained")
    for panel, axis in zip(PANELS, axes.flat, strict=True):
        recording = bridge.read(data / panel.file, channels=[panel.channel])
        rate = recording.info.rate
        start, count = round(panel.start_s * rate), round(panel.seconds * rate)
        samples = bridge.array_of(recording)[start : start + count, 0]
        seconds = [index / rate for index in range(len(samples))]
        axis.plot(seconds, samples, linewidth=0.7, color="#0b5d8a" if not panel.reason else "#9a3412")
        axis.set_title(panel.title, loc="left", fontsize=10)
        axis.set_ylabel(panel.unit)
        axis.set_xlim(0, panel.seconds)
        axis.spines[["top", "right"]].set_visible(False)
    for axis in axes[-1]:
        axis.set_xlabel("seconds")
    figure.savefig(target, dpi=110)
    pyplot.close(figure)


if __name__ == "__main__":
    if len(sys.argv) != 2 or not Path(sys.argv[1]).is_dir():
        sys.exit("say where the recordings are: python demos/guides/draw_signals.py DATA")
    draw(Path(sys.argv[1]), PICTURE)
    print(PICTURE)
