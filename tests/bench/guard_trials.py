"""Runs the guard's trials at full count and writes what was measured as JSON.

    python tests/bench/guard_trials.py [--count 100] [--only NAME] [--out guard-trials.json]

Exit status 1 when a release came too late or not at all.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS), str(_TESTS / "outputs")]

import components  # noqa: E402
import trials  # noqa: E402


def run(trial: Callable[[], float], count: int, limit_s: float | None) -> dict[str, Any]:
    """Repeat a trial; a failed one is counted, not fatal."""
    took_s: list[float] = []
    failures: list[str] = []
    for _ in range(count):
        try:
            took_s.append(trial())
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            failures.append(f"{type(error).__name__}: {error}"[:200])
    took_ms = sorted(round(seconds * 1e3, 1) for seconds in took_s)
    late = 0 if limit_s is None else sum(seconds > limit_s for seconds in took_s)
    return {
        "trials": count,
        "passed": len(took_s) - late,
        "late": late,
        "failures": failures,
        "limit_ms": None if limit_s is None else limit_s * 1e3,
        "median_ms": took_ms[len(took_ms) // 2] if took_ms else None,
        "max_ms": took_ms[-1] if took_ms else None,
    }


def _revision() -> str:
    """The commit that is measured, with a mark where files differ from it; empty outside a repository."""
    asked = subprocess.run(
        ["git", "describe", "--always", "--dirty"], cwd=_TESTS, capture_output=True, text=True, check=False
    )
    return asked.stdout.strip()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--only", default="", help="those whose name has this in it")
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    results: dict[str, Any] = {}
    with components.x_server() as server, components.key_recorder(server) as recorder:
        stage = trials.Stage(server, recorder)
        for name, (trial, limit_s) in trials.TRIALS.items():
            if options.only not in name:
                continue
            results[name] = run(lambda trial=trial: trial(stage), options.count, limit_s)
            print(name, json.dumps(results[name]), file=sys.stderr)
    if options.only in "X server gone":
        results["X server gone"] = run(trials.screen_gone, options.count, None)
        print("X server gone", json.dumps(results["X server gone"]), file=sys.stderr)
    report = {
        "when": time.strftime("%Y-%m-%d"),
        "revision": _revision(),
        "system": platform.platform(),
        "python": platform.python_version(),
        "processors": os.cpu_count(),
        "load": [round(load, 2) for load in os.getloadavg()],
        "results": results,
    }
    text = json.dumps(report, indent=2) + "\n"
    if options.out is not None:
        options.out.write_text(text)
    print(text)
    return 0 if all(each["passed"] == each["trials"] for each in results.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
