"""Makes the environment for the tests: what demos/start.py makes, with the extra `test`."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "demos"))

import start

# Only the recordings inside these packages are wanted, not what they depend on.
RECORDINGS = ("--no-deps", "pyhrv==0.5.0", "peakdet==0.6.1")

try:
    start.prepare("test", (RECORDINGS,))
except start.SetUpError as error:
    sys.exit(str(error))
