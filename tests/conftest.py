"""Fixtures for the whole suite."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

_used: set[str] = set()
_left_out: set[str] = set()


@pytest.fixture(scope="session")
def _data_folder() -> Path | None:
    named = os.environ.get("BRIDGE_DATA")
    if not named:
        return None
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"BRIDGE_DATA names {folder}, which is not a folder")
    return folder


@pytest.fixture
def data_dir(request: pytest.FixtureRequest, _data_folder: Path | None) -> Path:
    """The folder of real recordings named by BRIDGE_DATA; tests that need it are left out without it."""
    if _data_folder is None:
        _left_out.add(request.node.nodeid)
        pytest.skip("needs the real recordings: set BRIDGE_DATA to their folder")
    _used.add(request.node.nodeid)
    return _data_folder


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _left_out:
        names = ", ".join(sorted({nodeid.partition("::")[0] for nodeid in _left_out}))
        terminalreporter.write_line(
            f"Left out: {len(_left_out)} checks on real recordings ({names}). "
            "Set BRIDGE_DATA to the folder that holds them to run these too."
        )
    elif _used:
        terminalreporter.write_line(f"Real recordings were used by {len(_used)} checks.")


def pytest_sessionfinish(session: pytest.Session) -> None:
    """With BRIDGE_DATA set, a full run in which nothing read the recordings is a failure, not a pass."""
    whole = not session.config.option.keyword and not session.config.option.file_or_dir
    if os.environ.get("BRIDGE_DATA") and whole and session.testscollected and not _used:
        session.exitstatus = 1
        print("BRIDGE_DATA is set, but no test used the real recordings.")
