"""How often prediction intervals hold what comes next, and how wide they are, on the real recordings.

    BRIDGE_DATA=FOLDER python tests/bench/calibration/coverage.py [OUT.json]

Blinks and gaze: fit on 20 acts (and 10) from many places of the recording, score on all that follows. The
contractions: fit on one session, score on another of the same person, both ways. One line a split, then
coverage and width; hit rates beta-binomial, false activations gamma-Poisson, both 95 %. Splits of one
recording overlap, so they are not independent.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

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


def measure(fitted_on: Recorded, scored_on: Recorded, name: str, few: bool) -> dict[str, object] | None:
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


def main() -> int:
    folder = Path(os.environ["BRIDGE_DATA"])
    rows = []
    for name, count in (("blinks", 12), ("gaze", 12)):
        whole = load(folder, name)
        for acts in (10, 20):
            for number, (part, rest) in enumerate(splits(whole, acts, count)):
                rows.append(measure(part, rest, f"{name} {acts} acts #{number}", True))
    for one, other in PAIRS:
        for a, b in ((one, other), (other, one)):
            rows.append(measure(load(folder, a), load(folder, b), f"{a} -> {b[-1]}", True))
    done = [row for row in rows if row is not None]
    summary = {
        "splits": len(done),
        "hits_coverage": sum(bool(row["hits_inside"]) for row in done) / len(done),
        "false_coverage": sum(bool(row["false_inside"]) for row in done) / len(done),
        "mean_hits_width": sum(float(str(row["hits_width"])) for row in done) / len(done),
        "mean_hits_width_at_20_acts": sum(
            float(str(row["hits_width_at_20"])) for row in done if int(str(row["fit_acts"])) >= 18
        )
        / max(1, sum(int(str(row["fit_acts"])) >= 18 for row in done)),
        "fitted_false": sum(int(str(row["false"])) for row in done),
        "default_false": sum(int(str(row["default_false"])) for row in done),
        "fitted_hits": sum(int(str(row["hits"])) for row in done),
        "default_hits": sum(int(str(row["default_hits"])) for row in done),
    }
    print(json.dumps(summary, indent=2))
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(
            json.dumps({"summary": summary, "splits": done}, indent=2), encoding="utf-8"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
