"""The same work for each of many recordings: in this process, in processes of this machine, or on a cluster.

Dask does the spreading. What one recording leads to never depends on where it was worked on, and results come
back in the order of the items; so one process and a cluster print the same.
"""

from __future__ import annotations

import functools
import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import bridge

if TYPE_CHECKING:
    from distributed import Client

# Processes take more than a second to start, so work that is done sooner stays here.
_WORTH_SPREADING_S = 2.0
_CONNECT_S = 10.0

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


class CorpusError(Exception):
    """The cluster cannot be used: not reached, without workers, or workers of another version."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why one item gave no result; the others are not touched by that."""

    text: str


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

    An item on which one of ``refusals`` is raised, or which takes four workers down with it, comes back as
    Refused; other errors are raised. A worker that is lost has its items done by another.
    Raises CorpusError.
    """
    attempt = functools.partial(_attempt, work, refusals)
    results: list[_Result | Refused] = []
    count = workers or _processors()
    if scheduler is None:
        begun = time.monotonic()
        for item in items:
            fair = workers is None and time.monotonic() - begun < _WORTH_SPREADING_S
            if not (fair or count == 1 or len(items) == 1):
                break
            results.append(attempt(item))
            progress(len(results))
    rest = items[len(results) :]
    if rest:
        results += _spread(
            attempt, rest, count, scheduler, lambda done: progress(len(items) - len(rest) + done)
        )
    return results


def _attempt(
    work: Callable[[_Item], _Result], refusals: tuple[type[Exception], ...], item: _Item
) -> _Result | Refused:
    try:
        return work(item)
    except refusals as error:
        return Refused(str(error))


def _spread(
    attempt: Callable[[_Item], _Result | Refused],
    items: Sequence[_Item],
    count: int,
    scheduler: str | None,
    progress: Callable[[int], None],
) -> list[_Result | Refused]:
    from distributed import Client, LocalCluster, as_completed
    from distributed.scheduler import KilledWorker

    with ExitStack() as stack:
        if scheduler is None:
            # Encrypted even on loopback: whoever reaches a scheduler may run programs as its owner.
            with _deaf_from_birth():
                cluster = LocalCluster(
                    n_workers=min(count, len(items)),
                    threads_per_worker=1,
                    security=True,
                    dashboard_address="127.0.0.1:0",
                    silence_logs=logging.CRITICAL,
                )
            client = stack.enter_context(Client(stack.enter_context(cluster)))
        else:
            client = stack.enter_context(_connected(scheduler))
        results: dict[int, _Result | Refused] = {}
        suspects: list[int] = []
        places = {future: number for number, future in enumerate(client.map(attempt, items, pure=False))}
        # Each result is fetched as it is made, so that a worker that is lost later takes none with it.
        for future in as_completed(list(places)):
            number = places.pop(future)
            try:
                results[number] = future.result()
            except KilledWorker:
                suspects.append(number)
            progress(len(results))
        # A worker that dies takes the blame of all that waited there with it: each is tried again by itself.
        for number in suspects:
            try:
                results[number] = client.submit(attempt, items[number], pure=False).result()
            except KilledWorker:
                results[number] = Refused("each of the processes that worked on it died")
            progress(len(results))
        return [results[number] for number in range(len(items))]


@contextmanager
def _deaf_from_birth() -> Iterator[None]:
    """Processes started in here never hear Ctrl-C, for what is ignored stays so in a new process.

    This process hears it again as soon as they are there, and then ends them; for the second until then
    it is lost.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _connected(scheduler: str) -> Client:
    """Raises CorpusError."""
    from distributed import Client

    try:
        client = Client(scheduler, timeout=_CONNECT_S)
    except (OSError, ValueError, RuntimeError) as error:
        raise CorpusError(
            f"{scheduler}: no scheduler answers there ({error}); start one with `dask scheduler`"
        ) from error
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
        versions: dict[str, Any] = client.run(_version)
    except TimeoutError as error:
        client.close()
        raise CorpusError(
            f"{scheduler}: the scheduler has no workers; start some with `dask worker {scheduler}`"
        ) from error
    except ImportError as error:
        client.close()
        raise CorpusError(f"{scheduler}: a worker lacks this program ({error}); install it there") from error
    others = {address: version for address, version in versions.items() if version != bridge.__version__}
    if others:
        client.close()
        address, version = next(iter(others.items()))
        raise CorpusError(
            f"{scheduler}: worker {address} has version {version}, this is {bridge.__version__}; "
            "results would not be the same, so install the same version on both"
        )
    return client


def _version() -> str:
    return bridge.__version__


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
