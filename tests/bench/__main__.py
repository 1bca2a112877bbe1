"""All speed figures in one run: ``python -m tests.bench [--only PART …] [--seconds 16]``.

Each part is a process of its own, so that none warms the memory of another. What they tell goes to
``tests/bench/speed/results.json``, the tables and the machine into the section on speed of ``DEVELOPERS.md``, the
picture beside the results. A part that was left out keeps its last results. About twenty minutes; the hour of
heartbeats needs ``BRIDGE_DATA``, the folder of recordings.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.bench.speed.page import section, write_section
from tests.bench.speed.picture import draw
from tests.bench.speed.stages import machine
from tests.wheel import unpack_compiled

ROOT = Path(__file__).resolve().parents[2]
RESULTS = ROOT / "tests/bench/speed/results.json"
PICTURE = ROOT / "tests/bench/speed/speed.png"
# part: (module below tests.bench, what it is, its options)
PARTS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "latency": (
        "speed.latency",
        "latency and processor time of the daemon",
        ("--seconds", "{seconds}", "--wheel", "{wheel}"),
    ),
    "stages": ("speed.stages", "each stage by itself", ()),
    "rules": ("rule_steps", "the rule engine with 1 to 10,000 rules", ()),
    "resources": ("speed.resources", "start-up, and memory over eight hours' replay", ("--wheel", "{wheel}")),
    "throughput": ("speed.throughput", "an hour of heartbeats beside other libraries", ()),
    "streams": ("speed.streams", "many streams in one process", ()),
    "daemons": ("many_daemons", "200 daemons on two bridged brokers", ()),
}


def run_part(name: str, seconds: float, wheel: Path) -> dict[str, Any]:
    module, what, options = PARTS[name]
    begun = time.monotonic()
    print(f"{what} …", file=sys.stderr, flush=True)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.json"
        given = [option.format(seconds=seconds, wheel=wheel) for option in options]
        done = subprocess.run(
            [sys.executable, "-m", f"tests.bench.{module}", *given, "--json", str(out)],
            cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise SystemExit(f"{what} could not be measured:\n{done.stderr}")
        told: dict[str, Any] = json.loads(out.read_text())
    print(f"  {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    return {**told, "machine": machine()}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", nargs="+", choices=PARTS, metavar="PART", help=f"of {', '.join(PARTS)}")
    parser.add_argument("--seconds", type=float, default=16.0, help="for each run of the daemon")
    options = parser.parse_args()
    parts = options.only or list(PARTS)
    if "throughput" in parts and "BRIDGE_DATA" not in os.environ:
        parser.error(
            "throughput needs the recordings: set BRIDGE_DATA to their folder, or leave it out by --only"
        )
    results: dict[str, Any] = json.loads(RESULTS.read_text()) if RESULTS.exists() else {}
    with tempfile.TemporaryDirectory() as folder:
        wheel = Path(folder)  # where no part needs it
        if any("{wheel}" in PARTS[name][2] for name in parts):
            print("the compiled wheel …", file=sys.stderr, flush=True)
            wheel = unpack_compiled(wheel)
        for name in parts:
            results[name] = run_part(name, options.seconds, wheel)
            RESULTS.write_text(json.dumps(results, indent=1) + "\n")
    write_section(ROOT / "DEVELOPERS.md", results)
    draw(PICTURE, results)
    print(section(results))


if __name__ == "__main__":
    main()
