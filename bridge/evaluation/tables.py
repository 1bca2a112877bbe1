"""A report of `evaluate` as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

_NOTHING = "-"


def table(report: Mapping[str, Any]) -> str:
    """The figures of a report (see `evaluate --json`), one recording a row where there are several."""
    return _tallied(report) if "counts" in report else _scored(report)


def _scored(report: Mapping[str, Any]) -> str:
    intervals = report["intervals_95"]
    latency = report["latency_ms"]
    window = report["window_ms"]
    allowed = f"{window[0]:+g}..{window[1]:+g}" if isinstance(window, list) else f"±{window:g}"
    lines = [
        f"{report['detector']}: matched one to one within {allowed} ms, "
        f"{report['scored_seconds']:.1f} s scored of {report['seconds']:.1f} s",
        f"  reference {report['reference']}, detected {report['detected']}: "
        f"{report['true_positives']} found, {report['false_negatives']} missed, "
        f"{report['false_positives']} false, {report['passed_over']} passed over",
        f"  sensitivity {_share(report['sensitivity'])} {_range(intervals['sensitivity'], _share)}",
        f"  positive predictive value {_share(report['ppv'])} {_range(intervals['ppv'], _share)}",
        f"  F1 {_share(report['f1'])}",
        f"  false alarms a minute {_rate(report['false_per_minute'])} "
        f"{_range(intervals['false_per_minute'], _rate)}",
        f"  decided after the reference (ms): median {_rate(latency['median'])}, "
        f"95 % {_rate(latency['p95'])}, most {_rate(latency['max'])}",
        f"  processor time {report['cpu_seconds']:.3f} s",
    ]
    if "recordings" in report:
        rows = [
            (
                item["recording"],
                str(item["reference"]),
                str(item["true_positives"]),
                str(item["false_negatives"]),
                str(item["false_positives"]),
                _share(item["sensitivity"]),
                _share(item["ppv"]),
                _share(item["f1"]),
            )
            for item in report["recordings"]
        ]
        mean = report["average"]
        rows.append(
            ("average", "", "", "", "", _share(mean["sensitivity"]), _share(mean["ppv"]), _share(mean["f1"]))
        )
        head = ("recording", "reference", "found", "missed", "false", "sensitivity", "predictive", "F1")
        lines += ["", *_aligned([head, *rows])]
    return "\n".join(lines)


def _tallied(report: Mapping[str, Any]) -> str:
    lines = [
        f"{report['detector']}: {report['detected']} events in {report['seconds']:.1f} s, no reference, "
        f"{_rate(report['per_minute'])} a minute",
        *(
            f"  {kind}: {count}, {_rate(report['counts_per_minute'][kind])} a minute"
            for kind, count in report["counts"].items()
        ),
        f"  processor time {report['cpu_seconds']:.3f} s",
    ]
    if "recordings" in report:
        rows = [
            (item["recording"], str(item["detected"]), _rate(item["per_minute"]))
            for item in report["recordings"]
        ]
        lines += ["", *_aligned([("recording", "detected", "a minute"), *rows])]
    return "\n".join(lines)


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if column == 0 else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _share(value: float | None) -> str:
    return _NOTHING if value is None else f"{value:.4f}"


def _rate(value: float | None) -> str:
    return _NOTHING if value is None else f"{value:.2f}"


def _range(ends: Sequence[float | None], shown: Any) -> str:
    return f"(95 %: {shown(ends[0])} to {shown(ends[1])})"
