"""Twenty restarts of a broker under a steady stream: ``python -m tests.bench.broker_restarts [--json OUT]``.

Exit status 1 when an event arrived twice without a mark or older than the age limit.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import tempfile
from pathlib import Path

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS), str(_TESTS / "outputs")]

from broker_restarts import AGE_S, SLACK_S, stream  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        told = asyncio.run(stream(Path(folder), options.count))
    print(json.dumps(told, indent=2))
    if options.json:
        options.json.write_text(json.dumps(told, indent=2) + "\n")
    return int(told["arrived_twice_unmarked"] > 0 or told["oldest_s"] > AGE_S + SLACK_S)


if __name__ == "__main__":
    sys.exit(main())
