"""A port that closes and a broker that goes in the middle of a hold, at full count, with the whole daemon.

    python -m tests.bench.signal_loss_trials [--count 100] [--only NAME] [--json OUT]

Exit status 1 when a release came too late or not at all.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import Any

from tests.loss_rig import PORT_S, QUICK_S, running_rig

BROKER = "broker gone (beyond the usual end of the hold)"
PORT = "port closed"


def told(took_s: list[float], count: int, limit_s: float) -> dict[str, Any]:
    return {
        "trials": count,
        "passed": sum(seconds <= limit_s for seconds in took_s),
        "limit_ms": round(limit_s * 1e3),
        "median_ms": round(median(took_s) * 1e3, 1),
        "max_ms": round(max(took_s) * 1e3, 1),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--only", default="", help="those whose name has this in it")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    results: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as folder, running_rig(Path(folder)) as rig:
        if options.only in BROKER:
            usual_s = [rig.rested() for _ in range(10)]
            took_s = []
            for number in range(options.count):
                # How much later than at the latest with the broker there.
                took_s.append(max(0.0, rig.rested(kill_broker=True) - max(usual_s)))
                rig.broker.start()
                print(f"broker gone {number + 1}: {took_s[-1] * 1e3:.0f} ms", file=sys.stderr)
            results[BROKER] = told(took_s, options.count, QUICK_S)
        if options.only in PORT:
            took_s = []
            for number in range(options.count):
                took_s.append(rig.pulled())
                print(f"port closed {number + 1}: {took_s[-1] * 1e3:.0f} ms", file=sys.stderr)
            results[PORT] = told(took_s, options.count, PORT_S)
    print(json.dumps(results, indent=2))
    if options.json:
        options.json.write_text(json.dumps(results, indent=2) + "\n")
    return int(any(each["passed"] < each["trials"] for each in results.values()))


if __name__ == "__main__":
    sys.exit(main())
