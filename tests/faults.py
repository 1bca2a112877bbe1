"""System calls that fail on the n-th call, in one place: a full disk, no more descriptors, a reader that has gone."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from unittest import mock


@dataclass
class Faults:
    """``calls``: how often each function was called so far; ``struck``: how many calls failed."""

    calls: dict[str, int]
    struck: int = 0


@contextmanager
def failing(
    function: str,
    error: int | None,
    *,
    from_call: int,
    to_call: int | None = None,
    module: Any = os,
    short: bool = False,
    concerns: Callable[[tuple[Any, ...]], bool] = lambda _arguments: True,
) -> Iterator[Faults]:
    """``module.function`` raises OSError(``error``) from its n-th call on, or only up to ``to_call``.

    ``short``: a write takes half of what it is given, and then the error comes, as on a disk that fills up;
    with ``error`` None there is no error, only a short write. ``concerns`` tells which calls are counted, by
    their arguments.
    """
    real = getattr(module, function)
    faults = Faults({function: 0})

    def replaced(*arguments: Any, **named: Any) -> Any:
        if not concerns(arguments):
            return real(*arguments, **named)
        faults.calls[function] += 1
        count = faults.calls[function]
        if count < from_call or (to_call is not None and count > to_call):
            return real(*arguments, **named)
        faults.struck += 1
        if short and (error is None or count == from_call):
            descriptor, data = arguments
            return real(descriptor, data[: max(1, len(data) // 2)])
        assert error is not None
        raise OSError(error, os.strerror(error))

    with mock.patch.object(module, function, replaced):
        yield faults
