"""Work spread over processes of this machine, by the standard library's pool.

Processes are started anew instead of forked, so it is the same on every system. Each has a pool to itself:
where one dies, it is known what it was at, and only that is done again.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, TypeVar

from bridge.evaluation.refused import DIED, CorpusError, Refused

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")

# As many deaths of workers as a Dask scheduler bears with for one task (its default: three, then one more).
_MOST_DEATHS = 4


def in_processes(
    attempt: Callable[[_Item], _Result | Refused], items: Sequence[_Item], count: int
) -> Iterator[tuple[int, _Result | Refused]]:
    """The number and the result of each item, as they are made. ``attempt`` and items must be picklable.

    An item whose process dies is done again by another, until it has taken four with it: then it is refused.
    What ``attempt`` raises is raised. However it ends, no process is left. Raises CorpusError.
    """
    waiting = deque(range(len(items)))
    deaths: Counter[int] = Counter()
    pids: dict[ProcessPoolExecutor, int] = {}  # of those that have said that they are there
    starting: dict[Future[int], ProcessPoolExecutor] = {}
    at_work: dict[Future[_Result | Refused], tuple[int, ProcessPoolExecutor]] = {}
    idle: list[ProcessPoolExecutor] = []
    try:
        for _ in range(min(count, len(items))):
            _start(starting)
        while waiting or at_work:
            while waiting and idle:
                pool = idle.pop()
                try:
                    future = pool.submit(attempt, items[waiting[0]])
                except BrokenProcessPool:  # it died with nothing to do
                    _replace(pool, pids, starting)
                else:
                    at_work[future] = waiting.popleft(), pool
            futures: list[Future[Any]] = [*starting, *at_work]
            for done in wait(futures, return_when=FIRST_COMPLETED).done:
                if done in starting:
                    pool = starting.pop(done)
                    pids[pool] = _pid(done)
                    idle.append(pool)
                    continue
                number, pool = at_work.pop(done)
                try:
                    result: _Result | Refused = done.result()
                except BrokenProcessPool:
                    _replace(pool, pids, starting)
                    deaths[number] += 1
                    if deaths[number] < _MOST_DEATHS:
                        waiting.append(number)
                    else:
                        yield number, DIED
                else:
                    idle.append(pool)
                    yield number, result
    finally:
        busy = {pids[pool] for _, pool in at_work.values()}
        for child in multiprocessing.active_children():
            if child.pid in busy:
                child.terminate()
        for pool in (*pids, *starting.values()):
            pool.shutdown(cancel_futures=True)


def _start(starting: dict[Future[int], ProcessPoolExecutor]) -> None:
    """A process more, which says so when it is there."""
    pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), initializer=_begin)
    with _deaf_to_ctrl_c():
        starting[pool.submit(os.getpid)] = pool


def _replace(
    pool: ProcessPoolExecutor,
    pids: dict[ProcessPoolExecutor, int],
    starting: dict[Future[int], ProcessPoolExecutor],
) -> None:
    """Another in the place of one that died."""
    del pids[pool]
    pool.shutdown()
    _start(starting)


def _pid(started: Future[int]) -> int:
    """Raises CorpusError."""
    try:
        return started.result()
    except BrokenProcessPool as error:
        raise CorpusError(
            "a process to work in ended as soon as it was started; --workers 1 does without"
        ) from error


def _begin() -> None:
    """The first that a new process does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, name="end with parent", daemon=True).start()


def _end_with_parent() -> None:
    """Whoever is killed ends nobody else: this process would wait for work for ever."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """A process started in here never hears Ctrl-C, for on POSIX what is ignored stays so in a new process.

    The one that started it does hear it, and ends it.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
