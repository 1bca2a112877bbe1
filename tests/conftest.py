"""Fixtures for the whole suite."""

from __future__ import annotations

import asyncio
import inspect
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# The same examples in every run: a failure that comes and goes helps nobody.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")

# Tests here hold real components to deadlines of safety; the others run on every processor.
_LIVE = ("outputs", "service", "monitor", "windows", "test_end_to_end.py", "test_signal_loss.py")
# Emulated boards and machines fall behind the clock where they share a processor, and so do seven sources.
_ALONE = ("firmware", "emulated_machine", "service/test_suspend.py")
# They install the program anew, twice, each in a process of its own.
_INSTALLED = ("installed",)
_TESTS = Path(__file__).parent

_REASON = "needs the real recordings: set BRIDGE_DATA to their folder"
_used = False
_left_out: set[str] = set()
_no_machine = False


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run a test that is a coroutine function on an event loop of its own."""
    if not inspect.iscoroutinefunction(pyfuncitem.obj):
        return None
    names = pyfuncitem._fixtureinfo.argnames
    asyncio.run(pyfuncitem.obj(**{name: pyfuncitem.funcargs[name] for name in names}))
    return True


@pytest.fixture(scope="session")
def data_dir() -> Path:
    """The folder of real recordings named by BRIDGE_DATA; tests that need it are left out without it."""
    global _used
    named = os.environ.get("BRIDGE_DATA")
    if not named:
        pytest.skip(_REASON)
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"BRIDGE_DATA names {folder}, which is not a folder")
    _used = True
    return folder


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if not item.path.is_relative_to(_TESTS):
            continue
        path = item.path.relative_to(_TESTS)
        place = path.parts[0]
        if place in _ALONE or path.as_posix() in _ALONE:
            item.add_marker(pytest.mark.alone)
        elif place in _LIVE:
            item.add_marker(pytest.mark.live)
        elif place in _INSTALLED:
            item.add_marker(pytest.mark.installed)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    global _no_machine
    _no_machine = _no_machine or (report.skipped and "emulated machine" in str(report.longrepr))
    if report.skipped and _REASON in str(report.longrepr):
        _left_out.add(report.nodeid)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _left_out:
        files = ", ".join(sorted({nodeid.partition("::")[0] for nodeid in _left_out}))
        terminalreporter.write_line(
            f"Left out: {len(_left_out)} checks on real recordings ({files}). "
            "Set BRIDGE_DATA to the folder that holds the recordings to run these too."
        )
    if _no_machine:
        terminalreporter.write_line(
            "Left out: keys on Wayland and the console (tests/emulated_machine), which need an x86_64 computer."
        )


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """A worker process of a parallel run has ended: what it used counts for the whole."""
    global _used
    _used = _used or bool(getattr(node, "workeroutput", {}).get("used_recordings"))


def pytest_sessionfinish(session: pytest.Session) -> None:
    """With BRIDGE_DATA set, a full run in which nothing read the recordings is a failure, not a pass."""
    config = session.config
    if hasattr(config, "workeroutput"):
        config.workeroutput["used_recordings"] = _used
        return
    whole = (
        not config.option.keyword
        and not config.option.file_or_dir
        and config.option.markexpr not in ("live", "alone", "installed")
    )
    ran = session.testscollected or getattr(config.option, "numprocesses", None)
    if os.environ.get("BRIDGE_DATA") and whole and ran and not _used:
        session.exitstatus = 1
        print("BRIDGE_DATA is set, but no test used the real recordings.")
