"""Attack a daemon of our own, on loopback only, for a bounded time, and count what was reached.

    python -m tests.bench.attack [--count 300] [--json OUT]

Exit status 1 when something was reached. The broker's attacks are in tests/outputs/test_hostile_broker.py.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from tests.bench.attack.daemon import attacked
from tests.bench.attack.trials import WITH_DAEMON, WITHOUT_DAEMON, Counts


def run(count: int) -> dict[str, Counts]:
    """Every attack, one after the other, against one daemon."""
    results: dict[str, Counts] = {name: trial(count) for name, trial in WITHOUT_DAEMON.items()}
    with tempfile.TemporaryDirectory() as folder, attacked(Path(folder)) as daemon:
        for name, with_daemon in WITH_DAEMON.items():
            results[name] = with_daemon(daemon, count)
            print(f"{name}: {json.dumps(results[name])}", file=sys.stderr)
        results["the daemon afterwards"] = {
            "memory kB": daemon.memory_kb(),
            "bytes of log": len(daemon.log),
            "held": daemon.process.poll() is None and daemon.status()["armed"] is True,
        }
    return results


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    results = run(options.count)
    print(json.dumps(results, indent=2))
    if options.json:
        options.json.write_text(json.dumps(results, indent=2) + "\n")
    return int(not all(each["held"] for each in results.values()))


if __name__ == "__main__":
    sys.exit(main())
