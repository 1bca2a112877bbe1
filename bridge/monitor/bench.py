"""Where one page tries settings: its snapshot, the run with those in force, and the newest question."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from bridge.monitor import frames, messages, trial
from bridge.monitor.feed import Feed
from bridge.monitor.plain import settings_to_json


class TuningBench:
    """One for each page that tunes. ``reply`` takes a message, ``send`` a binary frame."""

    def __init__(
        self,
        feed: Feed,
        threads: ThreadPoolExecutor,
        reply: Callable[[dict[str, Any] | bytes], None],
    ) -> None:
        self._feed = feed
        self._threads = threads
        self._reply = reply
        self._newest = 0
        self._snapshot: tuple[str, trial.Snapshot] | None = None
        self._before: tuple[str, dict[str, Any], trial.Trial] | None = None
        self._task: asyncio.Task[None] | None = None

    def ask(self, question: messages.Tune) -> None:
        """Answer this question; an older one that is still being worked on is dropped."""
        self._newest += 1
        number = self._newest
        older = self._task
        self._task = asyncio.ensure_future(self._answer(question, number, older))

    def close(self) -> None:
        self._newest += 1

    async def _answer(self, question: messages.Tune, number: int, older: asyncio.Task[None] | None) -> None:
        from bridge.pipeline import BindingError

        if older is not None:
            await asyncio.gather(older, return_exceptions=True)
        found = self._feed.find(question.stream, question.detector)
        if found is None or number != self._newest:
            return
        place, chain, history, detector = found
        binding = next(b for b in chain.bindings if b.name == detector.name)
        if self._snapshot is None or question.fresh or self._snapshot[0] != question.stream:
            blocks = tuple(history.blocks())
            self._snapshot = (question.stream, trial.Snapshot(history.info, blocks, chain.start_s))
            self._before = None
        snapshot = self._snapshot[1]
        loop = asyncio.get_running_loop()

        def superseded() -> bool:
            return number != self._newest

        try:
            in_force = settings_to_json(detector.settings)
            if self._before is None or self._before[:2] != (question.detector, in_force):
                ran = await loop.run_in_executor(
                    self._threads, trial.run, snapshot, binding, in_force, superseded
                )
                self._before = (question.detector, in_force, ran)
            before = self._before[2]
            wanted = {**in_force, **question.settings}
            if wanted == in_force:
                after = before
            else:
                after = await loop.run_in_executor(
                    self._threads, trial.run, snapshot, binding, wanted, superseded
                )
        except trial.SupersededError:
            return
        except BindingError as error:
            self._reply({"type": "tuned", "id": question.id, "error": str(error)})
            return
        gone, new = trial.changed(before.events, after.events)
        first_s, per_s, columns = trial.thin(after, snapshot.info.rate, snapshot.start_s)
        self._reply(
            {
                "type": "tuned",
                "id": question.id,
                "error": "",
                "detector": question.detector,
                "settings": wanted,
                "seconds": snapshot.seconds,
                "per_second": per_s,
                "before": trial.summary(before, gone),
                "after": trial.summary(after, new),
            }
        )
        self._reply(frames.section(frames.TRIAL, place, question.id, 0, first_s, columns))


def keep(feed: Feed, question: messages.Keep) -> dict[str, Any]:
    """Settings into the profile; the answer says what came of it."""
    keep_in_profile = feed.service.keep
    if keep_in_profile is None:
        return {"type": "refused", "reason": "There is no profile to keep settings in: start with --profile."}
    try:
        keep_in_profile(question.detector, question.settings)
    except (ValueError, OSError) as error:
        return {"type": "refused", "reason": f"The settings were not kept: {error}"}
    return {"type": "kept", "detector": question.detector, "settings": question.settings}
