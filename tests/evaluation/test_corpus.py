"""Many recordings at once: the same results wherever they are worked on, and whatever dies on the way.

The cluster is Dask's own scheduler and workers, started here on loopback.
"""

from __future__ import annotations

import functools
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from bridge.commands.calibrate import command as calibrate
from bridge.commands.detect import command as detect
from bridge.commands.evaluate import command as evaluate
from bridge.evaluation.corpus import CorpusError, Refused, each
from bridge.sources.person import SyntheticPerson
from tests.components import end, free_port, until

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 250


@dataclass
class Cluster:
    """A scheduler and two workers of one thread each."""

    address: str
    processes: list[subprocess.Popen[bytes]]

    @property
    def workers(self) -> list[subprocess.Popen[bytes]]:
        return self.processes[1:]


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    address = f"tcp://127.0.0.1:{free_port()}"
    log = tmp_path / "cluster.log"

    def started(module: str, *arguments: str) -> subprocess.Popen[bytes]:
        with log.open("ab") as file:
            return subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{module}", *arguments],
                cwd=ROOT, stdout=file, stderr=file,
                env={**os.environ, "DASK_TEMPORARY_DIRECTORY": str(tmp_path), "PYTHONPATH": f"{ROOT}:{ROOT / 'tests/evaluation'}"},
            )  # fmt: skip

    host, port = address.removeprefix("tcp://").split(":")
    made = Cluster(
        address, [started("dask_scheduler", "--host", host, "--port", port, "--no-dashboard", "--no-jupyter")]
    )
    try:
        until(lambda: "Scheduler at" in log.read_text(), "a scheduler", 90)
        for _ in range(2):
            # Without a nanny: a worker that is killed stays away, as a machine that is switched off.
            made.processes.append(
                started("dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
            )
        until(lambda: log.read_text().count("Registered to") == 2, "two workers", 90)
        yield made
    finally:
        for process in reversed(made.processes):
            end(process, signal.SIGKILL)


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Six recordings of synthetic persons, and one that is not a recording."""
    folder = tmp_path_factory.mktemp("corpus")
    for seed in range(6):
        person = SyntheticPerson(seed, float(RATE_HZ))
        samples = person.generate(25 * RATE_HZ)
        chest = [channel.name for channel in person.info.channels].index("chest")
        header = f"time,{person.info.channels[chest].name}"
        table = np.column_stack((np.arange(len(samples)) / RATE_HZ, samples[:, chest]))
        np.savetxt(folder / f"person-{seed}.csv", table, "%.4f", ",", header=header, comments="")
    (folder / "person-3.csv").write_text("time,chest\n0,nothing\n")
    return sorted(folder.iterdir())


def called(command: object, *arguments: object) -> Result:
    return CliRunner().invoke(command, [str(item) for item in arguments])  # type: ignore[arg-type]


def untimed(text: str) -> object:
    """JSON without what it took: that differs from run to run."""
    told = [json.loads(line) for line in text.splitlines()]
    for item in told:
        for part in (item, *item.get("recordings", ())):
            part.pop("cpu_seconds", None)
    return told


def test_detect_prints_the_same_everywhere(corpus: list[Path], cluster: Cluster) -> None:
    options = (*corpus, "--detector", "heartbeat", "--kind", "ecg", "--json")
    alone = called(detect, *options, "--workers", 1)
    processes = called(detect, *options, "--workers", 2)
    spread = called(detect, *options, "--scheduler", cluster.address)
    assert alone.stdout == processes.stdout == spread.stdout
    assert alone.stderr == processes.stderr == spread.stderr
    # The broken one is told with its place, and takes nothing from the others.
    assert alone.exit_code == processes.exit_code == spread.exit_code == 2
    assert "person-3.csv, line 2" in alone.stderr
    lines = [json.loads(line) for line in alone.stdout.splitlines()]
    beats = {
        str(path): sum(line["recording"] == str(path) and line["kind"] == "heartbeat" for line in lines)
        for path in corpus
    }
    assert beats.pop(str(corpus[3])) == 0
    assert min(beats.values()) >= 15
    assert [line["recording"] for line in lines] == sorted(line["recording"] for line in lines)


def test_evaluate_adds_up_the_same_everywhere(corpus: list[Path], cluster: Cluster, tmp_path: Path) -> None:
    whole = [path for path in corpus if path != corpus[3]]
    references = []
    for path in whole:
        found = called(detect, path, "--detector", "heartbeat", "--kind", "ecg", "--json").stdout
        onsets = [json.loads(line)["onset"] for line in found.splitlines()][::2]
        references += ["--reference", tmp_path / f"{path.stem}.csv"]
        references[-1].write_text("onset,duration,label\n" + "".join(f"{at},0,heartbeat\n" for at in onsets))
    options = (*whole, *references, "--detector", "heartbeat", "--kind", "ecg", "--json")
    alone = called(evaluate, *options, "--workers", 1)
    assert alone.exit_code == 0, alone.output
    assert json.loads(alone.stdout)["false_positives"] > 10
    for where in (("--workers", 2), ("--scheduler", cluster.address)):
        assert untimed(called(evaluate, *options, *where).stdout) == untimed(alone.stdout)
    # Figures without some of the recordings would be those of something else: none are given.
    short = called(evaluate, *corpus, "--detector", "heartbeat", "--kind", "ecg", "--json", "--workers", 2)
    assert (short.exit_code, short.stdout) == (2, "")
    assert "person-3.csv, line 2" in short.stderr


def test_profiles_are_the_same_everywhere(corpus: list[Path], cluster: Cluster, tmp_path: Path) -> None:
    written = {}
    rest = tmp_path / "rest.csv"
    rest.write_text("onset,duration,label\n0,25,rest\n")
    asked: list[object] = []
    for path in corpus:
        asked += ["--replay", path, "--reference", rest]
    for name, where in (
        ("alone", ("--workers", 1)),
        ("processes", ("--workers", 2)),
        ("cluster", ("--scheduler", cluster.address)),
    ):
        folder = tmp_path / name
        done = called(
            calibrate, *asked, "--detector", "heartbeat", "--kind", "ecg", "--profile", folder, *where
        )
        assert done.exit_code == 1, done.output
        assert "person-3.csv, line 2" in done.stderr
        assert done.stdout.count("\n") == 5
        written[name] = {
            path.name: [line for line in path.read_text().splitlines() if "date:" not in line]
            for path in folder.iterdir()
        }
    assert written["alone"] == written["processes"] == written["cluster"]
    assert set(written["alone"]) == {f"person-{seed}.yaml" for seed in (0, 1, 2, 4, 5)}


def test_a_machine_that_is_lost_half_way_costs_nothing(cluster: Cluster, tmp_path: Path) -> None:
    """One of two workers is killed while it works; what it had done and what it was at is done anew."""
    done: list[int] = []
    record = tmp_path / "begun"
    record.touch()

    def killer() -> None:
        until(lambda: len(done) >= 2 and len(set(record.read_text().split())) == 2, "work of both", 30)
        cluster.workers[0].kill()

    work = functools.partial(slow_square, str(record))
    thread = threading.Thread(target=killer)
    thread.start()
    assert each(work, range(20), scheduler=cluster.address, progress=done.append) == [
        n * n for n in range(20)
    ]
    thread.join()
    assert cluster.workers[0].wait(10) == -signal.SIGKILL
    assert done == list(range(1, 21))
    # The rest of the work was begun by the other one alone.
    begun = record.read_text().split()
    assert set(begun) == {str(worker.pid) for worker in cluster.workers}
    assert begun.count(str(cluster.workers[1].pid)) >= 10


def slow_square(begun: str, number: int) -> int:
    with Path(begun).open("a") as file:
        file.write(f"{os.getpid()} ")
    time.sleep(0.2)
    return number * number


def deadly(folder: str, number: int) -> int:
    """3 takes its process down the first time, 5 each time."""
    mark = Path(folder) / "once"
    if number == 5 or (number == 3 and not mark.exists()):
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if number == 6:
        raise LookupError("six is no recording")
    return number


def test_what_kills_its_process_is_told_and_the_rest_is_done(tmp_path: Path) -> None:
    results = each(functools.partial(deadly, str(tmp_path)), range(8), refusals=(LookupError,), workers=2)
    assert [n for n in results if not isinstance(n, Refused)] == [0, 1, 2, 3, 4, 7]
    assert isinstance(results[5], Refused)
    assert "died" in results[5].text
    assert results[6] == Refused("six is no recording")


def test_other_errors_are_not_hidden() -> None:
    for workers in (1, 2):
        with pytest.raises(LookupError, match="six"):
            each(functools.partial(deadly, ""), [6, 6], workers=workers)


def test_little_work_starts_no_process() -> None:
    assert set(each(process_of, range(20))) == {os.getpid()}
    assert os.getpid() not in each(process_of, range(4), workers=2)


def process_of(_number: int) -> int:
    return os.getpid()


@pytest.mark.parametrize("how", ["ctrl-c", "killed"])
def test_the_end_of_the_command_is_the_end_of_all_processes(corpus: list[Path], how: str) -> None:
    many = [str(path) for path in corpus if path != corpus[3]] * 200
    own = subprocess.Popen(
        [sys.executable, "-m", "bridge", "detect", *many, "--detector", "heartbeat", "--kind", "ecg", "--workers", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    # Two workers, beside what multiprocessing starts for itself.
    until(lambda: len(members(own.pid)) >= 4, "workers", 20)
    time.sleep(3)  # at work, or just starting: either way
    if how == "ctrl-c":
        os.killpg(own.pid, signal.SIGINT)  # as a terminal does
    else:
        own.kill()
    printed, told = own.communicate(timeout=20)
    if how == "ctrl-c":
        assert (own.returncode, printed, told.strip()) == (130, b"", b"")
    else:
        assert (own.returncode, printed) == (-signal.SIGKILL, b"")
    until(lambda: not members(own.pid), "the end of all", 10)


def members(session: int) -> list[int]:
    """The processes of a session."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            fields = (folder / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found.append(int(folder.name))
    return found


def test_a_cluster_that_cannot_be_used_is_told(monkeypatch: pytest.MonkeyPatch, cluster: Cluster) -> None:
    monkeypatch.setattr("bridge.evaluation.cluster._CONNECT_S", 0.5)
    with pytest.raises(CorpusError, match="dask scheduler"):
        each(process_of, range(2), scheduler=f"tcp://127.0.0.1:{free_port()}")
    with pytest.raises(CorpusError, match="no scheduler"):
        each(process_of, range(2), scheduler="nonsense")
    monkeypatch.setattr("bridge.evaluation.cluster._CONNECT_S", 10.0)
    monkeypatch.setattr("bridge.__version__", "99.0")
    with pytest.raises(CorpusError, match=r"this is 99\.0"):
        each(process_of, range(2), scheduler=cluster.address)
    for worker in cluster.workers:
        end(worker, signal.SIGKILL)
    monkeypatch.setattr("bridge.evaluation.cluster._CONNECT_S", 0.5)
    with pytest.raises(CorpusError, match="dask worker"):
        each(process_of, range(2), scheduler=cluster.address)
