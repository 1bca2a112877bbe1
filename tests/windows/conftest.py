"""Fixtures for the program with what Windows lacks taken away."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.windows.rig import Running, environment


@pytest.fixture
def env(tmp_path: Path) -> dict[str, str]:
    return environment(tmp_path)


@pytest.fixture
def start(env: dict[str, str]) -> Iterator[Callable[..., Running]]:
    """Starts commands that are ended with the test."""
    started: list[Running] = []

    def begin(*arguments: object, **more: str) -> Running:
        started.append(Running(*arguments, env={**env, **more}))
        return started[-1]

    yield begin
    for each in started:
        each.close()
