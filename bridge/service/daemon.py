"""The daemon: sources feed the pipeline, its actions go to the outputs, and it always stops cleanly.

Everything runs on one event loop: a block goes from its arrival to the outputs within one call, so nothing
queues up inside; what waits, waits in the operating system's own bounded buffers.
"""

from __future__ import annotations

import asyncio
import functools
import gc
import logging
import os
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from bridge.host_clock import asleep_s
from bridge.outputs.protocol import Output, OutputError, PauseKeyed, Working
from bridge.outputs.standing import Standing
from bridge.pipeline import Outcome, Pipeline
from bridge.service.alignment import Alignment
from bridge.service.dispatch import Dispatch, State
from bridge.service.freshness import PIECE_S, Freshness
from bridge.service.protocol import Companion, Reporting, Tap
from bridge.service.summary import Summary
from bridge.service.system_signals import ENDING, heard
from bridge.service.tasks import all_of, failure_of, reported, tell_failures, until
from bridge.signals.types import Block, Event, StreamInfo
from bridge.sources.protocol import Source

log = logging.getLogger("bridge")

_TICK_S: Final = 0.02  # how often holds and waits are looked at when no samples come
_CALM_TICK_S: Final = 0.1  # how often it is looked whether samples come
_LATE_START_S: Final = 2.0  # so long after the daemon a signal may have begun
_STALL_S: Final = 0.2  # without samples for this long, the signal counts as lost

if sys.platform == "win32":
    _SIGNALS: Final = ENDING
else:
    _SIGNALS: Final = (*ENDING, signal.SIGUSR1)


@dataclass(slots=True)
class _Stream:
    """Where a stream stands: the shared clock's time of its last sample, and when that came."""

    info: StreamInfo
    time_s: float = 0.0
    heard_s: float | None = None
    lost: bool = False
    freshness: Freshness | None = None  # None where samples do not come by the clock
    lost_unseen: int = 0  # samples that a stall cost and that the source's own numbers do not show


class Daemon:
    """Runs sources through a pipeline into outputs until they end, a signal comes or time is up.

    ``make_pipeline`` is called once the sources have said what they carry. ``live``: samples come by the
    clock, so silence means loss; a fast replay is not live.
    """

    def __init__(
        self,
        sources: Mapping[str, Source],
        make_pipeline: Callable[[Mapping[str, StreamInfo]], Pipeline],
        outputs: Mapping[str, Output],
        *,
        taps: Sequence[Tap] = (),
        companions: Sequence[Companion] = (),
        armed: bool = False,
        dry_run: bool = False,
        live: bool = True,
        for_s: float | None = None,
    ) -> None:
        self._sources = dict(sources)
        self._make_pipeline = make_pipeline
        self._outputs = dict(outputs)
        self._taps = tuple(taps)
        self._companions = tuple(companions)
        self._dry_run = dry_run
        self._live = live
        self._for_s = for_s
        self._stop = asyncio.Event()
        self._stopping = False  # the same, for every block asks
        self._failure: BaseException | None = None
        self._streams: dict[str, _Stream] = {}
        self._pipeline: Pipeline | None = None
        self._started = 0.0
        self._alignment = Alignment(0.0)
        self._kept_paused = ""  # why nobody may resume now
        self._told = Standing()
        self.dispatch = Dispatch(outputs, armed=armed, dry_run=dry_run)
        self.summary = Summary()
        self.interrupted = False

    @property
    def state(self) -> State:
        return self.dispatch.state

    @property
    def standing(self) -> Standing:
        """What is sent now, and why not: the one state that everything tells."""
        silent = tuple(name for name, stream in self._streams.items() if self._silent(stream))
        return Standing(
            armed=self.dispatch.armed,
            paused_by=self.dispatch.paused_by,
            disarmed_by=self.dispatch.disarmed_by,
            unable=self.dispatch.unable() if self.dispatch.armed else "",
            silent=silent if len(silent) < len(self._streams) else (),
            all_silent=bool(silent) and len(silent) == len(self._streams),
            has_keys=self.dispatch.has_keys,
            dry_run=self._dry_run,
        )

    def _silent(self, stream: _Stream) -> bool:
        """Do no samples come? One that has brought none yet has as long as one that has fallen silent."""
        if stream.heard_s is not None:
            return stream.lost
        return self._live and bool(self._started) and time.monotonic() - self._started > _STALL_S

    def _tell_standing(self) -> None:
        """Log the state when it has changed."""
        now = self.standing
        if now == self._told:
            return
        resumed = "resumed; " if self._told.state == "paused" and now.state != "paused" else ""
        self._told = now
        log.info("%s%s", resumed, now.sentence)

    @property
    def pipeline(self) -> Pipeline | None:
        """None until the sources are open."""
        return self._pipeline

    def source(self, stream: str) -> Source:
        """The source of a stream."""
        return self._sources[stream]

    def start_s(self, stream: str) -> float:
        """Where a stream's sample time 0 lies on the clock that events are told on (s)."""
        return self._pipeline.chains[stream].start_s if self._pipeline is not None else 0.0

    def snapshot(self) -> dict[str, Any]:
        """How it does, as plain data: the status, and what the metrics are made of."""
        counts = [source.counts for source in self._sources.values()]
        latency = self.summary.latency
        p50, p99 = latency.quantile_s(0.5), latency.quantile_s(0.99)
        actions: dict[str, dict[str, int]] = {}
        for (output, result), count in dict(self.dispatch.results).items():
            actions.setdefault(output, {})[result] = count
        told: dict[str, Any] = {}
        for tap in self._taps:
            if isinstance(tap, Reporting):
                told.update(tap.report())
        return {
            **told,
            **self.standing.to_json(),
            "pid": os.getpid(),
            "signal": self._signal(),
            "uptime_s": time.monotonic() - self._started,
            "samples": self.summary.samples,
            "lost_samples": sum(count.lost_samples for count in counts),
            "clocks": self._clocks(),
            "skipped_lines": sum(count.skipped_lines for count in counts),
            "events": dict(self.summary.events),
            "actions": actions,
            "latency_ms": {
                "median": None if p50 is None else p50 * 1e3,
                "p99": None if p99 is None else p99 * 1e3,
            },
            "latency_counts": list(latency.counts),
            "latency_total_s": latency.total_s,
        }

    def _signal(self) -> list[dict[str, str]]:
        """How each channel is now: its stream, name, verdict and the reason for that."""
        if self._pipeline is None:
            return []
        return [
            {
                "stream": name,
                "channel": quality.channel.name,
                "verdict": "none" if self._silent(self._streams[name]) else quality.verdict.value,
                "reason": "no samples" if self._silent(self._streams[name]) else str(quality.reason),
            }
            for name, chain in self._pipeline.chains.items()
            for quality in chain.quality
        ]

    def _clocks(self) -> dict[str, dict[str, float]]:
        """How each source's own clock runs against this computer's, where that is known."""
        told = {}
        for name, source in self._sources.items():
            clock = getattr(source, "clock", None)
            if clock is not None and clock.started:
                report = clock.report()
                told[name] = {
                    "rate_hz": round(report.rate_hz, 4),
                    "drift_ppm": round(report.drift_ppm, 1),
                    "jitter_ms": round(report.jitter_ms, 2),
                }
        return told

    def stop(self) -> None:
        """Ask the daemon to end; `run` returns once everything is let go."""
        self._stopping = True
        self._stop.set()

    async def run(self) -> Summary:
        """Open, run, close. Raises SourceError or BindingError when it cannot start, and whatever broke it.

        Whatever happens, everything held is let go and every output and source is closed.
        """
        with heard(_SIGNALS, self._on_signal):
            # Not by `finally`: compiled, one that awaits forgets the error that led to it.
            failure: BaseException | None = None
            try:
                await self._open()
                # What is there now stays to the end: the collector need not look at it while samples wait.
                gc.collect()
                gc.freeze()
                await self._until_done()
            except BaseException as error:
                failure = error
            gc.unfreeze()
            await self._close()
        if failure is None:
            failure = self._failure
        if failure is not None:
            raise failure
        return self.summary

    def fail(self, error: BaseException) -> None:
        """End because of this: everything is let go, and `run` raises it."""
        self._failure = error
        self.dispatch.release()
        self.stop()

    async def _open(self) -> None:
        if not self._dry_run:
            for output in self._outputs.values():
                if isinstance(output, PauseKeyed):
                    output.when_pause_key(lambda: self._toggle_pause("the pause key"))
            for name, output in self._outputs.items():
                try:
                    await output.open()
                except OutputError as error:
                    log.warning("output %s is off: %s", name, error)
                    self.dispatch.drop(name, str(error))
                else:
                    if isinstance(output, Working):
                        tell_failures(output.tasks, f"output {name}")
            self.dispatch.tell_state()
        infos = {}
        for name, source in self._sources.items():
            infos[name] = await source.open()
            freshness = Freshness(infos[name].rate) if self._live else None
            self._streams[name] = _Stream(infos[name], freshness=freshness)
        self._pipeline = self._make_pipeline(infos)
        for tap in self._taps:
            tap.opened(infos)
        for name, info in infos.items():
            channels = ", ".join(f"{channel.name} ({channel.kind})" for channel in info.channels)
            log.info("source%s: %s at %g Hz", f" {name}" if name else "", channels, info.rate)
        for caution in sorted(
            {b.type.caution for chain in self._pipeline.chains.values() for b in chain.bindings} - {""}
        ):
            log.warning("%s", caution)
        self._started = time.monotonic()
        self._told = self.standing
        log.info("%s", self._told.sentence)
        self._alignment = Alignment(self._started)
        for companion in self._companions:
            name = type(companion).__name__
            try:
                await companion.start()
                tell_failures(companion.tasks, name)
            except OSError as problem:
                log.warning("%s is off: %s", name, problem)
            except Exception:
                log.exception("%s is off, for it has failed", name)

    async def _until_done(self) -> None:
        readers = [
            asyncio.ensure_future(source.run(functools.partial(self._take, name)))
            for name, source in self._sources.items()
        ]
        done = asyncio.ensure_future(all_of(readers))
        stop = asyncio.ensure_future(until(self._stop))
        ticker = asyncio.ensure_future(self._tick())
        interrupted: BaseException | None = None
        failed: list[BaseException] = []
        try:
            await asyncio.wait((done, stop, ticker), return_when=asyncio.FIRST_COMPLETED)
            failed = [each for each in map(failure_of, (done, ticker)) if each is not None]
        except asyncio.CancelledError as cancelled:
            interrupted = cancelled
        for task in (*readers, stop, ticker, done):
            task.cancel()
        await asyncio.gather(done, stop, ticker, return_exceptions=True)
        if interrupted is not None:
            raise interrupted
        if failed:
            raise failed[0]

    def _take(self, name: str, block: Block) -> None:
        """One block, from arrival to output. An error in here ends the daemon, never leaves it half alive."""
        if self._stopping or len(block) == 0:
            return
        self.summary.blocks += 1
        stream = self._streams[name]
        # What waited through a stall may come in one piece, whose end is new and whose beginning is old.
        most = len(block) if stream.freshness is None else max(1, int(PIECE_S * stream.info.rate))
        if len(block) <= most:
            self._take_piece(name, stream, block)
            return
        for start in range(0, len(block), most):
            piece = block.samples[start : start + most]
            self._take_piece(name, stream, Block(piece, block.first + start, block.received))

    def _take_piece(self, name: str, stream: _Stream, block: Block) -> None:
        if self._stopping:
            return
        try:
            assert self._pipeline is not None
            received = block.received if block.received is not None else time.monotonic()
            heard_s = received + asleep_s()
            if stream.freshness is not None and block.received is not None:
                self._judge_age(name, stream, stream.freshness, block.end, heard_s)
            if stream.lost_unseen:
                row = block.row
                block = Block(
                    block.samples if row is None else row, block.first + stream.lost_unseen, block.received
                )
            if stream.freshness is None or not stream.freshness.stale:
                if len(self._streams) > 1 and self._live:
                    self._align(name, stream, block, received)
                for outcome in self._pipeline.steps(block, name):
                    self._finish(outcome, received)
                chain = self._pipeline.chains[name]
                stream.time_s = chain.start_s + (block.end - 1) / stream.info.rate
                stream.heard_s = heard_s
                stream.lost = False
            self.summary.samples += len(block)
            self.summary.seconds = max(self.summary.seconds, stream.time_s)
            for tap in self._taps:
                tap.block(name, block)
            if self._for_s is not None and stream.time_s >= self._for_s:
                self.stop()
        except Exception as error:
            self.fail(error)

    def _judge_age(self, name: str, stream: _Stream, freshness: Freshness, end: int, heard_s: float) -> None:
        """What comes too late teaches and triggers nothing, as if it had been lost; it is recorded."""
        assert self._pipeline is not None
        before = freshness.stale
        lost = freshness.arrived(end, heard_s)
        which = f" from {name}" if name else ""
        if freshness.stale and not before:
            note = f"samples came {freshness.age_s:.1f} s late"
            log.warning("%s%s: until newer ones come, nothing follows from them", note, which)
            if not stream.lost:
                stream.lost = True
                silent_s = 0.0 if stream.heard_s is None else heard_s - stream.heard_s
                self._finish(self._pipeline.lose(stream.time_s + silent_s, note, name), None)
        elif before and not freshness.stale:
            log.info("samples%s are fresh again", which)
        if lost:
            stream.lost_unseen += lost
            self.summary.lost_samples += lost
            clock = getattr(self._sources[name], "clock", None)
            if clock is not None:
                clock.restart()  # what it knew was before the stall

    def _align(self, name: str, stream: _Stream, block: Block, received: float) -> None:
        """Put this stream's sample time on the clock that all streams share."""
        assert self._pipeline is not None
        clock = getattr(self._sources[name], "clock", None)
        self._pipeline.chains[name].start_s = self._alignment.start_s(
            name, block.first, len(block), stream.info.rate, received, clock, unseen=stream.lost_unseen
        )

    def _finish(self, outcome: Outcome, received: float | None) -> None:
        """Send first, tell afterwards."""
        if not outcome.actions and not outcome.detections:
            return
        sent = []
        summary = self.summary
        for action in outcome.actions:
            sent.append((action, self.dispatch.send(action)))
            if received is not None:
                summary.latency.add(time.monotonic() - received)
        for action, _ in sent:
            summary.actions[action.output] += 1
        for item in outcome.detections:
            if isinstance(item, Event):
                summary.events[item.kind] += 1
        for tap in self._taps:
            tap.outcome(outcome.detections, sent)

    async def _tick(self) -> None:
        """When samples stop, time goes on: holds end, waits run out, and the signal counts as lost."""
        assert self._pipeline is not None
        pause_s = _TICK_S
        while True:
            due_s = time.monotonic() + pause_s
            await asyncio.sleep(pause_s)
            if time.monotonic() - due_s > _STALL_S:
                await asyncio.sleep(0.001)  # it was us who stalled: what waits to be read comes first
            self._tell_standing()
            now_s = time.monotonic()
            # Samples that come tell the time themselves; it runs out without them too.
            coming = any(stream.heard_s is not None and not stream.lost for stream in self._streams.values())
            rest_s = _LATE_START_S if coming else 0.0
            if self._for_s is not None and self._live and now_s - self._started >= self._for_s + rest_s:
                return
            if not self._live:
                continue
            now_s += asleep_s()
            for name, stream in self._streams.items():
                if stream.heard_s is None:
                    continue
                silent_s = now_s - stream.heard_s
                if silent_s > _STALL_S and not stream.lost:
                    stream.lost = True
                    log.warning("no samples%s for %.1f s", f" from {name}" if name else "", silent_s)
                    self._finish(self._pipeline.lose(stream.time_s + silent_s, "no samples", name), None)
            heard = [s for s in self._streams.values() if s.heard_s is not None]
            silent = bool(heard) and all(now_s - (s.heard_s or now_s) > _TICK_S for s in heard)
            pause_s = _CALM_TICK_S if heard and not silent else _TICK_S
            if silent:
                latest = max(s.time_s + now_s - (s.heard_s or now_s) for s in heard)
                self._finish(Outcome([], self._pipeline.advance(latest)), None)

    def _on_signal(self, number: int) -> None:
        if sys.platform != "win32" and number == signal.SIGUSR1:
            self._toggle_pause("SIGUSR1")
            return
        self.interrupted = number == signal.SIGINT
        log.info("stopping")
        self.stop()

    def _toggle_pause(self, by: str) -> None:
        self.pause(self.state is not State.PAUSED, by)

    def pause(self, paused: bool, by: str) -> str:
        """Pause or resume every rule; safe values go out once on pausing. ``by`` says who asks, in words.

        Returns why it was refused; empty when it was done.
        """
        if self._pipeline is None:
            return "the daemon is still starting"
        if self._kept_paused and not paused:
            log.warning("not resumed for %s: %s", by, self._kept_paused)
            return self._kept_paused
        actions = self._pipeline.pause() if paused else self._pipeline.resume()
        self.dispatch.pause(paused, by)
        self._tell_standing()
        self._finish(Outcome([], actions), None)
        return ""

    def arm(self, armed: bool, by: str) -> str:
        """Arm or disarm the keystrokes. ``by`` says who asks, in words.

        Returns why it was refused; empty when it was done. Disarming is never refused.
        """
        if armed:
            refused = self._why_not_armed()
            if refused:
                log.warning("not armed for %s: %s", by, refused)
                return refused
        self.dispatch.arm(armed, by)
        self._tell_standing()
        return ""

    def _why_not_armed(self) -> str:
        if self._pipeline is None:
            return "the daemon is still starting"
        if self._kept_paused:
            return self._kept_paused
        if self._dry_run:
            return "this is a dry run; start without --dry-run to send anything"
        if not self.dispatch.has_keys:
            return "there is nothing to arm: no output sends keystrokes"
        return ""

    def keep_paused(self, why: str) -> None:
        """While there is a reason, whoever asks to resume is refused with it; empty ends that."""
        self._kept_paused = why
        if self._pipeline is not None:
            self._pipeline.keep_paused(bool(why))

    def use_rules(self, change: Callable[[Pipeline, Mapping[str, StreamInfo]], Outcome]) -> None:
        """Change the rules between two events; ``change`` returns what ends with the old ones."""
        assert self._pipeline is not None
        infos = {name: stream.info for name, stream in self._streams.items()}
        self._finish(change(self._pipeline, infos), None)

    async def _close(self) -> None:
        if self._pipeline is not None:
            with reported("ending the rules"):
                self._finish(self._pipeline.end(self.summary.seconds), None)
        with reported("releasing the outputs"):
            self.dispatch.release()
        for companion in self._companions:
            with reported("closing a companion"):
                await companion.stop()
        for name, source in self._sources.items():
            with reported(f"closing source {name}"):
                await source.close()
            self.summary.lost_samples += source.counts.lost_samples
            self.summary.skipped_lines += source.counts.skipped_lines
        for name, output in self._outputs.items():
            with reported(f"closing output {name}"):
                await output.close()
        for tap in self._taps:
            with reported("closing a tap"):
                tap.closed()
