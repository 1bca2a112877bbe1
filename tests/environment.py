"""Makes the environment for the tests: what demos/start.py makes, with the extra `test`."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "demos"))

import start

# Of these only the recordings inside are wanted, or what types on Windows; not what they depend on.
WITHOUT_OTHERS = ("--no-deps", "pyhrv==0.5.0", "peakdet==0.6.1", "pynput==1.8.2")

try:
    start.prepare("test", (WITHOUT_OTHERS,))
except start.SetUpError as error:
    sys.exit(str(error))
