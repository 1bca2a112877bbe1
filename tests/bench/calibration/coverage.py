"""How often prediction intervals hold what comes next, and how wide they are, on the real recordings.

    BRIDGE_DATA=FOLDER python -m tests.bench.calibration.coverage [OUT.json [PAGE.md]]

Blinks and gaze: fit on 20 acts (and 10) from many places of the recording, score on all that follows. The
contractions: fit on one session, score on another of the same person, both ways, with all electrodes and with
each single one. One line a split, then for each person what the fit changed, then coverage and width; hit rates beta-binomial, false activations gamma-Poisson, both 95 %. Splits of one
recording overlap, so they are not independent.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "calibration"))

from recorded import PAIRS, Recorded, load

from bridge.calibration.labels import LEARNING_S, LabelError


def splits(whole: Recorded, acts: int, count: int) -> list[tuple[Recorded, Recorded]]:
    """Parts that hold ``acts`` firm acts after the learning time, and what follows each."""
    firm = [item.onset for item in whole.labels if not item.label.endswith("?")]
    last = len(firm) - 2 * acts - 2
    found = []
    for k in range(count):
        begin = round(k * last / max(1, count - 1))
        start_s = max(whole.start_s, firm[begin] - LEARNING_S - 0.2)
        end_s = (firm[begin + acts - 1] + firm[begin + acts]) / 2
        found.append((whole.cut(start_s, end_s), whole.cut(end_s, whole.end_s)))
    return found


def electrode(whole: Recorded, column: int) -> Recorded:
    info = replace(whole.info, channels=whole.info.channels[column : column + 1])
    return replace(whole, info=info, samples=whole.samples[:, column : column + 1])


def measure(
    fitted_on: Recorded, scored_on: Recorded, name: str, person: str, few: bool = True
) -> dict[str, object] | None:
    try:
        fitted = fitted_on.fit(few=few)
    except LabelError as error:
        print(f"{name}: no fit: {error}")
        return None
    prediction = fitted.evidence.prediction
    trial, minutes = scored_on.score(fitted.settings)
    plain, _ = scored_on.score({})
    acts = len(trial.answers)
    hits, false = prediction.next_hits(acts), prediction.next_false(minutes)
    row = {
        "name": name,
        "person": person,
        "fit_acts": prediction.acts,
        "fit_hits": prediction.hits,
        "fit_false": prediction.false,
        "acts": acts,
        "hits": trial.hits,
        "false": len(trial.false),
        "minutes": minutes,
        "hits_inside": trial.hits / acts in hits,
        "false_inside": len(trial.false) / minutes in false,
        "hits_width": hits.width,
        "hits_width_at_20": prediction.next_hits(20).width,
        "false_width": false.width,
        "default_hits": plain.hits,
        "default_false": len(plain.false),
        "setting": {k: v for k, v in fitted.settings.items() if "polarity" not in k},
    }
    print(
        f"{name:28} fit {prediction.hits}/{prediction.acts}, {prediction.false} false; "
        f"next {trial.hits}/{acts} in {hits.low:.2f}..{hits.high:.2f} "
        f"{'yes' if row['hits_inside'] else 'NO'}; {len(trial.false)} false in "
        f"{false.low * minutes:.0f}..{false.high * minutes:.0f} {'yes' if row['false_inside'] else 'NO'}; "
        f"default {plain.hits}/{acts}, {len(plain.false)} false",
        flush=True,
    )
    return row


def rows(folder: Path) -> Iterator[dict[str, object] | None]:
    for name, count in (("blinks", 12), ("gaze", 12)):
        whole = load(folder, name)
        for acts in (10, 20):
            for number, (part, rest) in enumerate(splits(whole, acts, count)):
                yield measure(part, rest, f"{name} {acts} acts #{number}", name)
    for one, other in PAIRS:
        person = one.split("-")[1]
        for a, b in ((one, other), (other, one)):
            first, second = load(folder, a), load(folder, b)
            yield measure(first, second, f"{a} -> {b[-1]}", f"forearm {person}")
            for column in range(first.samples.shape[1]):
                yield measure(
                    electrode(first, column),
                    electrode(second, column),
                    f"{a} -> {b[-1]} electrode {column + 1}",
                    f"forearm {person}, single electrodes",
                )


def people(done: Sequence[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """What fitted settings changed for each person, all splits added up."""
    for person in dict.fromkeys(row["person"] for row in done):
        own = [row for row in done if row["person"] == person]
        sums = {
            key: sum(row[key] for row in own)
            for key in ("acts", "hits", "default_hits", "false", "default_false", "minutes")
        }
        better = sums["false"] < sums["default_false"] and sums["hits"] >= sums["default_hits"]
        same = sums["false"] == sums["default_false"] and sums["hits"] == sums["default_hits"]
        yield {
            "person": person,
            "splits": len(own),
            **sums,
            "verdict": "fewer false activations" if better else "no change" if same else "no better",
        }


def summary_of(done: Sequence[dict[str, Any]]) -> dict[str, Any]:
    at_20 = [row["hits_width_at_20"] for row in done if row["fit_acts"] >= 18]
    return {
        "splits": len(done),
        "hits_coverage": sum(row["hits_inside"] for row in done) / len(done),
        "false_coverage": sum(row["false_inside"] for row in done) / len(done),
        "mean_hits_width": sum(row["hits_width"] for row in done) / len(done),
        "mean_hits_width_at_20_acts": sum(at_20) / max(1, len(at_20)),
    }


def page(report: dict[str, Any]) -> str:
    def cell(value: object) -> str:
        return f"{value:.3g}" if isinstance(value, float) else str(value)

    columns = list(report["people"][0])
    lines = [
        f"# Calibration, measured {datetime.now(UTC).date().isoformat()}",
        "",
        "Written by `python -m tests.bench.calibration.coverage OUT.json tests/bench/calibration/RESULTS.md`.",
        "Fitted on one part, scored on another; splits of one recording overlap.",
        "",
        "| prediction | |",
        "| --- | --- |",
        *(f"| {name.replace('_', ' ')} | {cell(value)} |" for name, value in report["summary"].items()),
        "",
        "What fitted settings change against the detectors alone, all splits of a person added up",
        "(`default ...` is the detector without a profile):",
        "",
        "| " + " | ".join(name.replace("_", " ") for name in columns) + " |",
        "|" + " --- |" * len(columns),
        *("| " + " | ".join(cell(row[name]) for name in columns) + " |" for row in report["people"]),
        "",
        "Where it says no better, five or six cued acts of one minute are too few to move a threshold by: the",
        "fit stays with the detector's own value unless it gains more than one standard error.",
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    done = [row for row in rows(Path(os.environ["BRIDGE_DATA"])) if row is not None]
    intervals = [row for row in done if "single" not in str(row["person"])]
    report = {"summary": summary_of(intervals), "people": list(people(done)), "splits": done}
    print(json.dumps({"summary": report["summary"], "people": report["people"]}, indent=2))
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(json.dumps(report, indent=2), encoding="utf-8")
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text(page(report), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
