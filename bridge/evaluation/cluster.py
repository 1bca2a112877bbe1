"""Work spread over a Dask cluster. Needs the extra ``cluster``."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import bridge
from bridge.evaluation.refused import DIED, CorpusError, Refused
from bridge.extras import need

if TYPE_CHECKING:
    from distributed import Client

_CONNECT_S = 10.0

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def on_cluster(
    attempt: Callable[[_Item], _Result | Refused], items: Sequence[_Item], scheduler: str
) -> Iterator[tuple[int, _Result | Refused]]:
    """The number and the result of each item, as they are made, by the workers of ``scheduler``.

    An item whose worker is lost is done by another; one that takes four with it is refused. What ``attempt``
    raises is raised. Raises CorpusError, and MissingExtraError where Dask is not installed.
    """
    need("cluster", "a cluster (--scheduler)")
    from distributed import as_completed
    from distributed.scheduler import KilledWorker

    with _connected(scheduler) as client:
        suspects: list[int] = []
        places = {future: number for number, future in enumerate(client.map(attempt, items, pure=False))}
        # Each result is fetched as it is made, so that a worker that is lost later takes none with it.
        for future in as_completed(list(places)):
            number = places.pop(future)
            try:
                result: _Result | Refused = future.result()
            except KilledWorker:
                suspects.append(number)
            else:
                yield number, result
        # A worker that dies takes the blame of all that waited there with it: each is tried again by itself.
        for number in suspects:
            try:
                yield number, client.submit(attempt, items[number], pure=False).result()
            except KilledWorker:
                yield number, DIED


@contextmanager
def _connected(scheduler: str) -> Iterator[Client]:
    """A scheduler whose workers have this program in this version. Raises CorpusError."""
    from distributed import Client

    try:
        client = Client(scheduler, timeout=_CONNECT_S)
    except (OSError, ValueError, RuntimeError) as error:
        raise CorpusError(
            f"{scheduler}: no scheduler answers there ({error}); start one with `dask scheduler`"
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=_CONNECT_S)
            versions: dict[str, Any] = client.run(_version)
        except TimeoutError as error:
            raise CorpusError(
                f"{scheduler}: the scheduler has no workers; start some with `dask worker {scheduler}`"
            ) from error
        except ImportError as error:
            raise CorpusError(
                f"{scheduler}: a worker lacks this program ({error}); install it there"
            ) from error
        for address, version in versions.items():
            if version != bridge.__version__:
                raise CorpusError(
                    f"{scheduler}: worker {address} has version {version}, this is {bridge.__version__}; "
                    "results would not be the same, so install the same version on both"
                )
        yield client


def _version() -> str:
    return bridge.__version__
