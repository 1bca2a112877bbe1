"""The same work for each of many recordings: in this process, in processes of this machine, or on a cluster.

What one recording leads to never depends on where it was worked on, and results come back in the order of the
items; so one process and a cluster print the same.
"""

from __future__ import annotations

import functools
import os
import time
from collections.abc import Callable, Sequence
from typing import TypeVar

from bridge.evaluation.cluster import on_cluster
from bridge.evaluation.processes import in_processes
from bridge.evaluation.refused import CorpusError, Refused

__all__ = ["CorpusError", "Refused", "each"]

# Processes take a second to start, so work that is done sooner stays here.
_WORTH_SPREADING_S = 2.0

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def each(
    work: Callable[[_Item], _Result],
    items: Sequence[_Item],
    *,
    refusals: tuple[type[Exception], ...] = (),
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Callable[[int], None] = lambda _done: None,
) -> list[_Result | Refused]:
    """``work`` done for each item, in the order of the items. ``progress`` is told how many are done.

    Without ``workers`` the first seconds' work is done in this process and the rest in as many as there are
    processors; ``workers=1`` keeps all of it here. ``scheduler`` (``tcp://host:port`` or ``tls://…``) sends
    all to a Dask cluster, whose workers must have this program and see the same files.

    An item on which one of ``refusals`` is raised, or which takes four processes down with it, comes back as
    Refused; other errors are raised. A process that is lost has its items done by another.
    Raises CorpusError, and MissingExtraError where there is a ``scheduler`` and no Dask.
    """
    attempt = functools.partial(_attempt, work, refusals)
    results: dict[int, _Result | Refused] = {}
    count = workers or _processors()
    if scheduler is None:
        begun = time.monotonic()
        for number, item in enumerate(items):
            fair = workers is None and time.monotonic() - begun < _WORTH_SPREADING_S
            if not (fair or count == 1 or len(items) == 1):
                break
            results[number] = attempt(item)
            progress(len(results))
    here = len(results)
    rest = items[here:]
    if rest:
        made = (
            in_processes(attempt, rest, count) if scheduler is None else on_cluster(attempt, rest, scheduler)
        )
        for number, result in made:
            results[here + number] = result
            progress(len(results))
    return [results[number] for number in range(len(items))]


def _attempt(
    work: Callable[[_Item], _Result], refusals: tuple[type[Exception], ...], item: _Item
) -> _Result | Refused:
    try:
        return work(item)
    except refusals as error:
        return Refused(str(error))


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
