"""Every detector on every recording, by person: ``python -m tests.bench.accuracy``.

BRIDGE_DATA names the folder of the recordings that no package carries. Writes RESULTS.md, results.json and a
picture here, and one line into each ready rule file. ``--only`` measures some parts and leaves the figures of the
others; what was measured is kept, so that a run that was ended goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

from tests.bench.accuracy import fitted, libraries, office_day, onsets, page, rhythm, variants
from tests.bench.accuracy.by_person import counts, f1, summary
from tests.bench.accuracy.cells import LIBRARIES, OURS, ROOT, Cell, cells_done
from tests.bench.accuracy.material import DATA, Item, items

DETECTORS = ("blink", "gaze", "contraction", "heartbeat")
# Changed recordings are gone through so often that only their beginning is used.
_CHANGED_S = {
    "band forehead": 90.0,
    "band ears": 90.0,
    "office": 300.0,
    "arrhythmia": 120.0,
    "gaze-83hz": 300.0,
}


def detector(name: str, own: Sequence[Item], workers: int) -> dict[str, Any]:
    """All tables of one detector: itself and libraries as recorded, changed, and with profiles."""
    plain = [Cell(item) for item in own]
    if name in libraries.FOR:
        plain += [Cell(item, LIBRARIES) for item in own]
    rows = cells_done(name, plain, workers)
    used = [item for item in own if "1 electrode" not in item.set or item.channels[0][0].endswith("1")]
    before = [Cell(item, until_s=_CHANGED_S.get(item.set)) for item in used]
    changes = [change for change in variants.CHANGES if name == "heartbeat" or change != variants.MOTION]
    after = [Cell(item, OURS, change, _CHANGED_S.get(item.set)) for change in changes for item in used]
    return {
        "sets": _sets(rows),
        "changes": costs(cells_done(f"{name}, changed", [*before, *after], workers)),
        "fitted": _by_set(fitted.rows_of(own, workers), fitted.summary),
    }


def _by_set(rows: Sequence[dict[str, Any]], of: Callable[[Sequence[dict[str, Any]]], Any]) -> dict[str, Any]:
    names = dict.fromkeys(row["set"] for row in rows)
    return {name: of([row for row in rows if row["set"] == name]) for name in names}


def _sets(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    return _by_set(
        rows, lambda own: {by: summary([row for row in own if row["by"] == by]) for by in _by(own)}
    )


def _by(rows: Sequence[dict[str, Any]]) -> list[str]:
    return list(dict.fromkeys(row["by"] for row in rows))


def costs(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """By set and change: F1 and false activations a minute, beside the same recordings unchanged."""
    found: dict[str, Any] = {}
    for name in dict.fromkeys(row["set"] for row in rows):
        own = [row for row in rows if row["set"] == name]
        plain = {row["recording"]: row for row in own if not row["change"]}
        found[name] = {}
        for change in dict.fromkeys(row["change"] for row in own):
            after = [row for row in own if row["change"] == change and row["recording"] in plain]
            table = sum(counts(after).values())
            same = sum(counts([plain[row["recording"]] for row in after]).values())
            found[name][change] = {
                "recordings": len(after),
                "f1": float(f1(table)),
                "unchanged": float(f1(same)),
                "false_per_minute": float(table[2] / table[3]),
            }
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parts = (*DETECTORS, "onsets", "rhythm", "office")
    parser.add_argument("--only", choices=parts, action="append", help="measure this part only; repeat it")
    parser.add_argument(
        "--workers", type=int, default=os.cpu_count() or 1, help="processes (one a processor)"
    )
    options = parser.parse_args()
    if not DATA.is_dir():
        print("BRIDGE_DATA is not set: only the recordings that packages carry are used.", file=sys.stderr)
    found = list(items())
    place = page.FOLDER / "results.json"
    report = json.loads(place.read_text(encoding="utf-8")) if place.exists() else {}
    report = {name: report[name] for name in parts if name in report}
    for part in options.only or parts:
        begun = time.monotonic()
        if part == "office":
            figures: dict[str, Any] = office_day.summary(office_day.rows_of(found, options.workers))
        elif part == "rhythm":
            figures = rhythm.figures_of(found, options.workers)
        elif part == "onsets":
            figures = {"widths": onsets.rows_of(found, options.workers)}
        else:
            own = [item for item in found if item.detector == part]
            figures = detector(part, own, options.workers)
        head = {"date": datetime.now(UTC).date().isoformat(), "revision": revision()}
        report[part] = {**head, "seconds": round(time.monotonic() - begun), "figures": figures}
        place.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    page.write(report)
    if "office" in report:
        office_day.write_lines(report["office"]["figures"])
    print(f"written: {page.FOLDER.relative_to(ROOT)}/RESULTS.md", file=sys.stderr)


def revision() -> str:
    """Of the code that was measured; ``+`` where it had changes that were not committed."""
    asked = ("git", "describe", "--always", "--dirty=+", "--exclude=*")
    done = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


if __name__ == "__main__":
    main()
