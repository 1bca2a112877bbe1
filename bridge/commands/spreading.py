"""One recording or many: the options that say where many are worked on, the bars, and what was refused."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import click

from bridge.commands.recording_options import InvalidInput, needing

if TYPE_CHECKING:
    from bridge.evaluation.corpus import Refused
    from bridge.evaluation.tasks import Material, Progress

# A recording of this many seconds takes long enough for a bar.
_LONG_S = 120

_Command = TypeVar("_Command", bound=Callable[..., Any])
_Result = TypeVar("_Result", covariant=True)

_OPTIONS = (
    click.option(
        "--workers",
        type=click.IntRange(1),
        metavar="N",
        help="With several recordings: processes to spread them over. Without it as many as there are "
        "processors, once two seconds have passed.",
    ),
    click.option(
        "--scheduler",
        metavar="tcp://HOST:PORT",
        callback=needing("cluster"),
        help="With several recordings: a Dask cluster to spread them over. Its workers must see the same "
        "files. Whoever reaches its ports can run programs there: use tls:// or a network of your own.",
    ),
)


class Task(Protocol[_Result]):
    @property
    def material(self) -> Material: ...

    def __call__(self, progress: Progress | None = None) -> _Result: ...


def spreading_options(command: _Command) -> _Command:
    """`--workers` and `--scheduler`."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def located(path: Path, scheduler: str | None) -> Path:
    """The path as another machine would find it, where another machine works."""
    return path if scheduler is None else path.absolute()


def done_for_each(
    tasks: Sequence[Task[_Result]], workers: int | None, scheduler: str | None
) -> list[_Result | Refused]:
    """What came of each, in order. One alone has a bar by its seconds, and if refused raises InvalidInput."""
    if len(tasks) == 1 and scheduler is None:
        from bridge.evaluation.tasks import REFUSALS

        (task,) = tasks
        try:
            with _bar_of_seconds(task.material.path.name) as progress:
                return [task(progress)]
        except REFUSALS as error:
            raise InvalidInput(str(error)) from error
    return spread(tasks, workers, scheduler)


def spread(tasks: Sequence[Callable[[], Any]], workers: int | None, scheduler: str | None) -> list[Any]:
    """What came of each, in order, with a bar by recordings. Raises click's errors."""
    from bridge.evaluation.corpus import CorpusError, each
    from bridge.evaluation.tasks import REFUSALS

    try:
        with _bar(f"{len(tasks)} recordings", len(tasks)) as bar:
            return each(_call, tasks, refusals=REFUSALS, workers=workers, scheduler=scheduler, progress=bar)
    except CorpusError as error:
        raise click.ClickException(str(error)) from error


def _call(task: Callable[[], Any]) -> Any:
    return task()


def refused(tasks: Sequence[Any], results: Sequence[Any]) -> list[str]:
    """A line for each that gave no result."""
    from bridge.evaluation.corpus import Refused

    lines = []
    for task, result in zip(tasks, results, strict=True):
        if isinstance(result, Refused):
            name = str(task.material.path)
            lines.append(result.text if name in result.text else f"{name}: {result.text}")
    return lines


@contextmanager
def _bar(label: str, total: float) -> Iterator[Callable[[float], None]]:
    """A bar on stderr, in terminals only."""
    if not sys.stderr.isatty():
        yield lambda _done: None
        return
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress

    columns = (*Progress.get_default_columns(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(label, total=total)
        yield lambda done: progress.update(task, completed=done)


@contextmanager
def _bar_of_seconds(label: str) -> Iterator[Progress | None]:
    """A bar on stderr, in terminals only; it appears with the first news, and for long recordings only."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(label, total=None, visible=False)

        def told(done_s: float, total_s: float) -> None:
            progress.update(task, completed=done_s, total=total_s, visible=total_s >= _LONG_S)

        yield told
