"""The measured figures as a picture: ratios to what was wished for, and the cost of many streams."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.bench.speed.page import targets

MARKERS = {"envelopes of all streams together": "o", "envelopes, an object for each stream": "s"}


def draw(path: Path, results: dict[str, Any]) -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    wished = targets(results)[::-1]
    figure, (left, right) = plt.subplots(1, 2, figsize=(13, 5.2), layout="constrained", width_ratios=(3, 2))
    shares = [ratio / most for _, ratio, most in wished]
    kept = [share <= 1 for share in shares]
    bars = left.barh(
        [name for name, *_ in wished],
        shares,
        color=["#2a6f97" if one else "#c8553d" for one in kept],
        hatch=["" if one else "//" for one in kept],
        edgecolor="white",
    )
    left.axvline(1.0, color="black", linewidth=1)
    left.set_xscale("log")
    left.set_xlabel("measured, over what was wished for at most (hatched: not reached)")
    labels = [f"{ratio:.2g} of {most:g}" for _, ratio, most in wished]
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 1}
    left.bar_label(bars, labels, padding=4, fontsize=8, bbox=ground)
    left.set_xlim(min(shares) / 1.5, max(*shares, 1.0) * 3)
    left.tick_params(axis="y", labelsize=8)
    for way, one in results["streams"]["ways"].items():
        curve = one["curve"]
        right.plot(
            [row["streams"] for row in curve],
            [row["one_core"] for row in curve],
            marker=MARKERS.get(way, "^"),
            label=f"{way}\n({one['most_on_one_core']:,} fill a core)",
        )
    alone = results["streams"]["ways"]["envelopes of all streams together"]["curve"]
    right.plot(
        [row["streams"] for row in alone],
        [row["filters_alone"] for row in alone],
        color="grey", linestyle="--", label="the compiled filters alone",
    )  # fmt: skip
    right.axhline(1.0, color="black", linewidth=1)
    right.set_xscale("log")
    right.set_yscale("log")
    right.set_xlabel("streams of 4 × 250 Hz, in blocks of 32 ms")
    right.set_ylabel("share of a core")
    right.legend(fontsize=8, loc="upper center", bbox_to_anchor=(0.5, -0.13), frameon=False)
    figure.savefig(path, dpi=100)
    plt.close(figure)
