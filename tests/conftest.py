"""Fixtures for the whole suite."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def data_dir() -> Path:
    """The folder of real recordings named by BRIDGE_DATA; tests that need it are left out without it."""
    named = os.environ.get("BRIDGE_DATA")
    if not named:
        pytest.skip("needs the real recordings: set BRIDGE_DATA to their folder")
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"BRIDGE_DATA names {folder}, which is not a folder")
    return folder
