"""Two revisions side by side: ``python -m tests.bench.compare OLD NEW [--turns 3]``.

Both are checked out beside the working copy and measured in turn by this program's own stages, so that what the
machine does meanwhile hurts both alike. Prints ratios; the exit status says only whether it could measure.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
STAGES = ROOT / "tests/bench/speed/stages.py"


def git(*words: str) -> str:
    done = subprocess.run(["git", "-C", str(ROOT), *words], capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"git {' '.join(words)}: {done.stderr.strip()}")
    return done.stdout.strip()


def measure(checkout: Path, folder: Path) -> dict[str, dict[str, float]]:
    """The stages' costs with the ``bridge`` of a checkout and the benchmark of this one."""
    out = folder / "out.json"
    # The file and not the module: of the two, only `bridge` shall come from the checkout.
    code = (
        "import bridge, runpy, sys; print(bridge.__file__, file=sys.stderr); "
        "runpy.run_path(sys.argv.pop(1), run_name='__main__')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(STAGES), "--seconds", "20", "--turns", "1", "--json", str(out)],
        cwd=folder, env=os.environ | {"PYTHONPATH": str(checkout)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(f"{checkout.name} cannot be measured:\n{done.stderr[-2000:]}")
    if not done.stderr.startswith(str(checkout)):
        raise SystemExit(
            f"the program measured was {done.stderr.splitlines()[0]}, not that of {checkout.name}"
        )
    costs: dict[str, dict[str, float]] = json.loads(out.read_text())["us_per_block"]
    return costs


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("old")
    parser.add_argument("new")
    parser.add_argument("--turns", type=int, default=3)
    options = parser.parse_args()
    names = {"old": git("rev-parse", "--short", options.old), "new": git("rev-parse", "--short", options.new)}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = [folder / side for side in names]
        try:
            for checkout, revision in zip(made, names.values(), strict=True):
                git("worktree", "add", "--quiet", "--detach", str(checkout), revision)
            told: dict[str, list[dict[str, dict[str, float]]]] = {side: [] for side in names}
            for turn in range(options.turns):
                for checkout in made if turn % 2 == 0 else reversed(made):
                    print(f"turn {turn + 1} of {options.turns}: {checkout.name}", file=sys.stderr)
                    told[checkout.name].append(measure(checkout, folder))
        finally:
            for checkout in made:
                if checkout.exists():
                    git("worktree", "remove", "--force", str(checkout))
    print(
        f"{names['new']} against {names['old']}: cost as a ratio, by block length (below 1: the new one is faster)"
    )
    for stage, sizes in told["old"][0].items():
        ratios = []
        for size in sizes:
            old, new = (median(turn[stage][size] for turn in told[side]) for side in ("old", "new"))
            ratios.append(f"{size:>3}: {new / old:5.2f}")
        print(f"  {stage:36s} {'   '.join(ratios)}")


if __name__ == "__main__":
    main()
