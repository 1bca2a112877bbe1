"""What one event costs the rule engine with few and with many rules: ``python -m tests.bench.rule_steps``.

Every rule listens to an event of its own origin, as in a large installation; one rule fires for each event. The ratio
to 10 rules is what counts. The runs take turns, so that a machine that slows down slows all of them.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from statistics import median

from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.signals.types import Event

COUNTS = (1, 10, 100, 1_000, 10_000)
KINDS = ("blink", "heartbeat", "gaze-left", "gaze-right")


def engine_with(count: int) -> Engine:
    lines = [
        f"  - {{name: R{number}, when: {{event: {KINDS[number % 4]}, from: lead-{number}}}, then: {{press: a}}}}"
        for number in range(count)
    ]
    head = "version: 1\noutputs:\n  keys: {type: keystrokes}\nrules:\n"
    return Engine(load(head + "\n".join(lines) + "\n").rules)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    engines = {count: engine_with(count) for count in COUNTS}
    steps_us: dict[int, list[float]] = {count: [] for count in COUNTS}
    at_s = 0.0
    for turn in range(300):
        for count, engine in engines.items():
            number = turn % min(count, 8)
            at_s += 1.0
            event = Event(KINDS[number % 4], "instant", at_s, at_s, f"lead-{number}")
            begun = time.perf_counter()
            actions = engine.process(event)
            engine.advance(at_s + 0.01)
            steps_us[count].append((time.perf_counter() - begun) * 1e6)
            assert len(actions) == 1
    typical = {count: median(values[50:]) for count, values in steps_us.items()}
    report = {
        "step_us": typical,
        "ratio_to_10": {count: value / typical[10] for count, value in typical.items()},
    }
    print(json.dumps(report, indent=1))
    if options.json:
        options.json.write_text(json.dumps(report, indent=1) + "\n")


if __name__ == "__main__":
    main()
