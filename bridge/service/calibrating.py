"""Calibration from the page: the routine of the terminal on the stream that the daemon already has.

Outputs are paused meanwhile. The session is recorded with its cues; the fit runs in a process of its own, so
that the daemon stays prompt, and the profile is written only when the person says so.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge.calibration.cues import CALIBRATED, PAUSE_S, Routine, at_pace, plan
from bridge.calibration.figures import false_rate, figures_of, percent
from bridge.calibration.vocabulary import NOT_WRITTEN
from bridge.pipeline import can_bind
from bridge.recordings import RecordingError
from bridge.recordings.profile_file import read_profile_file, write_profile_file
from bridge.recordings.recorder import Recorder
from bridge.service.dispatch import State
from bridge.service.fitted import FittedProfile
from bridge.service.page_screen import PageScreen
from bridge.service.sitting import BadSignalError, Sitting
from bridge.signals.types import Block, Detection, StreamInfo

if TYPE_CHECKING:
    from bridge.calibration.profile import DetectorProfile, Profile
    from bridge.service.daemon import Daemon

log = logging.getLogger("bridge")

_BY = "the calibration"
_MOST_ROWS = 24  # of aligned traces, for the picture
_MOST_POINTS = 400  # of a distribution


class CalibrationDesk:
    """A tap of the daemon, and what the page may ask of it. ``version`` counts every change of ``state``."""

    def __init__(
        self, daemon: Callable[[], Daemon], shelf: FittedProfile, folder: Path, *, seed: int | None = None
    ) -> None:
        """``folder`` is where sessions are recorded; ``seed`` fixes the jitter of the cues."""
        self._daemon, self._shelf, self._folder, self._seed = daemon, shelf, folder, seed
        self._infos: dict[str, StreamInfo] = {}
        self._stream = ""
        self._sitting: Sitting | None = None
        self._work: asyncio.Task[None] | None = None
        self._made: Profile | None = None
        self._wanted: tuple[str, ...] = ()
        self._few = self._force = False
        self._path = Path()
        self._screen = PageScreen()

    @property
    def version(self) -> int:
        return self._screen.version

    # -- what the page asks ---------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        return {
            "type": "calibration",
            "detectors": [name for name in CALIBRATED if self._stream_for([name]) is not None],
            "file": str(self._shelf.path or ""),
            **self._screen.said,
        }

    def start(self, detectors: Sequence[str], *, few: bool, force: bool, slower: float) -> None:
        """Begin with the signal check. Raises ValueError or RecordingError with a reason for the person."""
        if self._sitting is not None or self._work is not None:
            raise ValueError("a calibration is going on already")
        if not detectors:
            raise ValueError("choose at least one detector")
        stream = self._stream_for(detectors)
        if stream is None:
            raise ValueError(f"no source carries the channels that {', '.join(detectors)} needs")
        steps = at_pace(
            plan(detectors, seed=int(datetime.now(UTC).timestamp()), acts=5 if few else 10), slower
        )
        now = datetime.now(UTC).astimezone().strftime("%Y-%m-%d-%H%M%S-%f")
        self._folder.mkdir(parents=True, exist_ok=True)
        self._path = self._folder / f"page-{now}.edf"
        sitting = Sitting(
            Recorder(self._path),
            Routine(steps),
            self._screen,
            force=force,
            source=self._daemon().source(stream),
        )
        sitting.open(self._infos[stream])
        self._stream, self._wanted, self._few, self._force = stream, tuple(detectors), few, force
        self._made = None
        self._pause(True)
        self._sitting = sitting
        minutes = sum(step.seconds + PAUSE_S for step in steps) / 60
        self._screen.say(phase="checking", of=len(steps), minutes=round(minutes, 1))

    def press(self, what: str) -> None:
        """``repeat`` the step, ``go`` on after it, or ``stop``: what was recorded stays."""
        if self._sitting is not None:
            self._screen.pressed = {"repeat": "r", "go": " ", "stop": "q"}[what]
        elif what == "stop" and self._work is not None:
            self._work.cancel()

    def keep(self) -> None:
        """Write the new profile and work with it. Raises ValueError with a reason."""
        if self._made is None:
            raise ValueError("there is no new profile to keep")
        self._shelf.take(self._made)
        self._made = None
        self._screen.add(phase="kept")

    # -- the daemon's tap -----------------------------------------------------------------------------

    def opened(self, infos: Mapping[str, StreamInfo]) -> None:
        self._infos = dict(infos)

    def block(self, stream: str, block: Block) -> None:
        sitting = self._sitting
        if sitting is None or stream != self._stream:
            return
        try:
            sitting.take(block)
        except BadSignalError as error:
            self._end(sitting, "failed", str(error).replace("--force starts all the same", "").strip())
            return
        except RecordingError as error:
            self._end(sitting, "failed", str(error))
            return
        if sitting.over:
            if sitting.finished:
                self._end(sitting, "fitting", "")
                self._work = asyncio.ensure_future(self._fit())
            elif sitting.stopped:
                self._end(sitting, "stopped", self._kept)
            else:
                self._end(sitting, "failed", "The recording could not be written.")

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Any, Any]]) -> None:
        """Nothing: outputs are paused, and the recording holds cues only."""

    def closed(self) -> None:
        if self._sitting is not None:
            self._end(
                self._sitting, "stopped", f"The source has ended. What was done is kept in {self._path}."
            )
        if self._work is not None:
            self._work.cancel()

    # -- inside

    @property
    def _kept(self) -> str:
        return f"What was done is kept in {self._path}."

    def _stream_for(self, detectors: Sequence[str]) -> str | None:
        return next(
            (name for name, info in self._infos.items() if all(can_bind(info, one) for one in detectors)),
            None,
        )

    def _pause(self, paused: bool) -> None:
        """Until the calibration ends nobody can resume; who else pauses meanwhile stays paused after it."""
        daemon = self._daemon()
        if paused:
            if daemon.state is not State.PAUSED:
                daemon.pause(True, _BY)
            daemon.keep_paused("a calibration is going on; wait for its end, or stop it on the page")
            return
        daemon.keep_paused("")
        if daemon.dispatch.paused_by == _BY:
            daemon.pause(False, _BY)

    def _end(self, sitting: Sitting, phase: str, words: str) -> None:
        self._sitting = None
        sitting.close()
        check = self._screen.said.get("check", [])
        self._pause(False)
        self._screen.say(phase=phase, words=words, check=check, recording=str(self._path))

    async def _fit(self) -> None:
        """As `calibrate --replay` does, in a process of its own, into a file that is not yet the profile."""
        try:
            with tempfile.TemporaryDirectory() as folder:
                made = Path(folder) / "profile.yaml"
                before = self._shelf.base
                if before is not None:
                    write_profile_file(made, before)
                await self._fit_to(made)
        except asyncio.CancelledError:
            self._screen.say(phase="stopped", words=self._kept, recording=str(self._path))
        except (OSError, ValueError) as error:
            self._screen.say(phase="failed", words=str(error), recording=str(self._path))
        finally:
            self._work = None

    async def _fit_to(self, made: Path) -> None:
        """Raises ValueError with what the fit said."""
        command = [sys.executable, "-m", "bridge", "calibrate", "--replay", str(self._path), "--json"]
        command += [word for name in self._wanted for word in ("--detector", name)]
        command += ["--profile", str(made), *(["--few"] * self._few), *(["--force"] * self._force)]
        child = await asyncio.create_subprocess_exec(
            *command, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE
        )
        try:
            _, said = await child.communicate()
        except asyncio.CancelledError:
            child.kill()
            await child.wait()
            raise
        if child.returncode != 0:
            lines = [
                line for line in said.decode(errors="replace").splitlines() if line.startswith("Error: ")
            ]
            said_last = lines[-1].removeprefix("Error: ") if lines else "the fit ended without a word"
            raise ValueError(said_last.removeprefix(NOT_WRITTEN))
        self._made = read_profile_file(made)
        evidence = {name: plain_evidence(self._made.detectors[name]) for name in self._wanted}
        self._screen.say(phase="done", evidence=evidence, recording=str(self._path))


def plain_evidence(part: DetectorProfile) -> dict[str, Any]:
    """A detector's evidence for the page: words, and numbers to draw. All finite."""
    evidence = part.evidence
    trace = None
    if evidence.trace is not None:
        every = max(1, -(-len(evidence.trace.rows) // _MOST_ROWS))
        rows = evidence.trace.rows[::every]
        trace = {
            "start_s": evidence.trace.start_s,
            "step_s": evidence.trace.step_s,
            "rows": [[round(float(value), 3) for value in row] for row in rows],
        }
    return {
        "figures": [list(pair) for pair in figures_of(part)],
        "warnings": list(evidence.warnings),
        "proposals": [
            f"{item.words}: {percent(item.prediction)} found, {false_rate(item.prediction)}"
            for item in evidence.proposals
        ],
        "unit": evidence.unit,
        "setting": evidence.setting,
        "chosen": part.settings.get(evidence.setting),
        "threshold": evidence.threshold,
        "acts": [float(size) for size in evidence.acts_sizes[:_MOST_POINTS]],
        "others": [float(size) for size in evidence.other_sizes[:_MOST_POINTS]],
        "curve": [list(point) for point in evidence.curve],
        "trace": trace,
    }
