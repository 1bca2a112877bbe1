"""A writer of EDF+ and BDF+ files that survives a crash: whole records only, each with its annotations.

The libraries at hand keep annotations in memory until the end and lose them with the process. Here each
record of about a second is appended, the record count patched and both synced, so that a power cut loses
at most what came since: under two seconds.
"""

from __future__ import annotations

import contextlib
import logging
import os
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bridge.recordings.edf_file import END_MARK, GAP_MARK
from bridge.recordings.edf_layout import ANNOTATION_BYTES, Layout, record_shape
from bridge.recordings.edf_records import encode_records, rewrite
from bridge.recordings.edf_scale import Scale, scales_for, wider_scales
from bridge.recordings.recording import RecordingError
from bridge.recordings.tal import encode_record_time, encode_tal
from bridge.signals.types import Annotation, Block, Samples, StreamInfo

log = logging.getLogger("bridge")

_FLAGS = os.O_RDWR | getattr(os, "O_BINARY", 0)
_COUNT_AT = 236  # where the header keeps the number of data records
_RESERVED_AT = 192
_DISK_S = 2.0
_LABEL_LIMIT = 100  # characters, so that any annotation fits into a record
_WAITING_LIMIT = 240  # records that may wait for a slow disk


class EdfWriter:
    """Feed it blocks in order and annotations at any time, then ``close``. Raises RecordingError.

    File time 0 is the first sample that is written. Writing and syncing happen in a thread of its own, so
    a slow disk does not hold up the signal. Raw counts and decimals are kept exactly, other values to a
    hundred-millionth of their size. Where later values need more room or a finer step than the first second
    told, the file is rewritten for them.
    """

    def __init__(
        self,
        path: str | Path,
        info: StreamInfo,
        started: datetime,
        *,
        overwrite: bool = False,
        patient: str = "",
    ) -> None:
        self.path = Path(path)
        self.records = 0
        self._info = info
        self._started = started
        self._patient = patient
        self._layout: Layout | None = None
        self._origin: int | None = None
        self._next = 0  # index, in file samples, of the next sample
        self._start = 0  # index of the first sample in the record that is being filled
        self._rows: list[Samples] = []
        self._held = 0
        self._before_layout: list[Block] = []
        self._marks: deque[Annotation] = deque()
        self._continuous = True
        self._clipped = False
        self._largest: Samples = np.zeros(len(info.channels))  # value so far, whatever its sign
        self._closed = False
        self._waiting: deque[Future[None]] = deque()
        # These two are the writing thread's own.
        self._written = 0  # whole records in the file
        self._broken: Exception | None = None
        try:
            # What a body does is nobody else's business: for the owner alone.
            fresh = os.O_TRUNC if overwrite else os.O_EXCL
            self._file = os.open(self.path, _FLAGS | os.O_CREAT | fresh, 0o600)
        except FileExistsError as error:
            raise RecordingError(self.path, "the file is there already", "name another one") from error
        except OSError as error:
            raise RecordingError(self.path, f"cannot be written ({error.strerror})") from error
        except ValueError as error:  # a name with a NUL
            raise RecordingError(self.path, f"cannot be written ({error})") from error
        self._disk = ThreadPoolExecutor(1, thread_name_prefix="recording")

    # -- what comes in ------------------------------------------------------------------------------

    def write(self, block: Block) -> None:
        """Take the next samples, shape (n, channels). A jump in ``first`` is kept as a gap."""
        if self._closed or len(block) == 0:
            return
        if self._origin is None:
            self._origin = block.first
        if self._layout is None:
            self._before_layout.append(block)
            if sum(map(len, self._before_layout)) >= self._info.rate:
                self._begin()
            return
        self._take(block)

    def annotate(self, annotation: Annotation) -> None:
        """Note a moment or interval; its onset is sample time, as events have it."""
        if not self._closed:
            self._marks.append(replace(annotation, label=annotation.label[:_LABEL_LIMIT]))

    def close(self) -> None:
        """Write what is held and close the file. May be called twice. Raises RecordingError."""
        if self._closed:
            return
        try:
            if self._layout is None:
                self._begin()
            if self._held == self._shape.samples:
                self._emit(np.concatenate(self._rows))
            elif self._held:
                self._cut(Annotation(self._file_s(self._next), 0.0, END_MARK))
            while self._marks:
                # More annotations than the records had room for: records that hold nothing else.
                self._marks.appendleft(_Own.of(Annotation(self._file_s(self._next), 0.0, END_MARK)))
                self._emit(np.zeros((self._shape.samples, len(self._info.channels))))
        finally:
            self._closed = True
            self._disk.shutdown()
            if self._file >= 0:
                os.close(self._file)
        self._check()

    # -- records ------------------------------------------------------------------------------------

    def _begin(self) -> None:
        """Fix the layout from what the first second shows, and write the header."""
        width = len(self._info.channels)
        seen = [block.samples for block in self._before_layout]
        scales, size = scales_for(
            self._info.channels,
            np.concatenate(seen) if seen else np.zeros((0, width)),
            least_width=3 if self.path.suffix.lower() == ".bdf" else 2,
        )
        self._shape = record_shape(self._info.rate, width)
        self._layout = Layout(self._info, tuple(scales), size, self._shape, self._started, self._patient)
        self._say_width(2)
        self._submit(self._layout.header(0, continuous=True), None)
        held, self._before_layout = self._before_layout, []
        for block in held:
            self._take(block)

    def _say_width(self, before: int) -> None:
        assert self._layout is not None
        if self._layout.width > before and self.path.suffix.lower() == ".edf":
            log.warning(
                "%s: 16 bits are too few for this signal, so it holds BDF+ (24 bits); programs that go by "
                "the name want it to end in .bdf",
                self.path,
            )

    def _take(self, block: Block) -> None:
        assert self._origin is not None
        index = block.first - self._origin
        if index > self._next:
            self._gap(index)
        elif index < self._next:
            raise RecordingError(
                self.path, f"sample {block.first} came after sample {self._next + self._origin}"
            )
        position = 0
        while position < len(block):
            # A full record waits for the next sample, so that it can take annotations of its last moments.
            if self._held == self._shape.samples:
                self._emit(np.concatenate(self._rows))
            part = block.samples[position : position + self._shape.samples - self._held]
            self._rows.append(part)
            self._held += len(part)
            self._next += len(part)
            position += len(part)

    def _gap(self, index: int) -> None:
        onset_s = self._file_s(self._next)
        mark = Annotation(onset_s, self._file_s(index) - onset_s, GAP_MARK)
        if self._held:
            self._cut(mark)
        else:
            self._marks.append(_Own.of(mark))
        if self._continuous:
            self._continuous = False
            assert self._layout is not None
            self._submit(f"{self._layout.family}D".encode().ljust(44), _RESERVED_AT)
        self._next = self._start = index

    def _cut(self, mark: Annotation) -> None:
        """Fill the record that is open with its last value, and mark where the signal ended."""
        rows = np.concatenate(self._rows)
        filling = np.repeat(rows[-1:], self._shape.samples - self._held, axis=0)
        self._marks.appendleft(_Own.of(mark))
        self._emit(np.concatenate((rows, filling)))

    def _emit(self, rows: Samples) -> None:
        """Append one whole record with as many of the waiting annotations as it has room for."""
        assert self._layout is not None
        onset_s = self._file_s(self._start)
        lists = [encode_record_time(onset_s)]
        room = ANNOTATION_BYTES - len(lists[0])
        while self._marks:
            encoded = encode_tal(self._in_file_time(self._marks[0]))
            if len(encoded) > room:
                break
            self._marks.popleft()
            room -= len(encoded)
            lists.append(encoded)
        self._make_room(rows)
        codes = [
            self._codes(scale, rows[:, column])[np.newaxis, :]
            for column, scale in enumerate(self._layout.scales)
        ]
        text = np.frombuffer(b"".join(lists).ljust(ANNOTATION_BYTES, b"\x00"), np.uint8)
        record = encode_records(self._layout, codes, text[np.newaxis, :])
        self.records += 1
        self._queue(lambda: self._append(record))
        self._rows, self._held = [], 0
        self._start += self._shape.samples

    def _make_room(self, rows: Samples) -> None:
        """Have the file rewritten if its scales do not hold ``rows``: before the record that needs it."""
        old = self._layout
        assert old is not None
        wider = wider_scales(self._info.channels, old.scales, rows, self._largest, least_width=old.width)
        sizes = np.where(np.isfinite(rows), np.abs(rows), 0.0)
        self._largest = np.maximum(self._largest, sizes.max(axis=0))
        if wider is None:
            return
        self._layout = new = replace(old, scales=tuple(wider[0]), width=wider[1])
        self._say_width(old.width)
        header = new.header(self.records, continuous=self._continuous)
        self._queue(lambda: self._rewrite(old, new, header))

    def _codes(self, scale: Scale, values: Samples) -> NDArray[np.int64]:
        if not self._clipped and np.any(np.abs(values) > scale.step * (scale.bound + 0.5)):
            self._clipped = True
            log.warning("%s: values beyond ±%s are cut off", self.path, scale.physical)
        return scale.encode(values)

    # -- time ---------------------------------------------------------------------------------------

    def _file_s(self, index: int) -> float:
        """Time in the file's own terms, so that record times divide by the record duration exactly."""
        return index * self._shape.seconds / self._shape.samples

    def _in_file_time(self, mark: Annotation) -> Annotation:
        if isinstance(mark, _Own):
            return mark
        index = mark.onset * self._info.rate - (self._origin or 0)
        return Annotation(index * self._shape.seconds / self._shape.samples, mark.duration, mark.label)

    # -- disk ---------------------------------------------------------------------------------------

    def _submit(self, data: bytes, offset: int | None) -> None:
        self._queue(lambda: self._store(data, offset))

    def _queue(self, job: Callable[[], None]) -> None:
        self._check()
        if len(self._waiting) > _WAITING_LIMIT:
            # Minutes behind a live signal, or a replay faster than the disk: wait, but not for ever.
            if not wait([self._waiting[0]], timeout=_DISK_S).done:
                raise RecordingError(self.path, "the disk is too slow to record to")
            self._check()
        self._waiting.append(self._disk.submit(self._unless_broken, job))

    def _unless_broken(self, job: Callable[[], None]) -> None:
        """After a failure nothing more is written: what came later would lie at a wrong time."""
        if self._broken is not None:
            raise self._broken
        try:
            job()
        except Exception as error:
            self._broken = error
            raise

    def _append(self, record: bytes) -> None:
        """One record, and then the count that takes it in: a record that has no room is as if never begun."""
        end = os.lseek(self._file, 0, os.SEEK_END)
        try:
            self._store(record, None)
            os.fsync(self._file)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, end)
            raise
        self._written += 1
        self._store(str(self._written).encode().ljust(8), _COUNT_AT)

    def _store(self, data: bytes, offset: int | None) -> None:
        if offset is None:
            os.lseek(self._file, 0, os.SEEK_END)
        else:
            os.lseek(self._file, offset, os.SEEK_SET)
        while data:
            data = data[os.write(self._file, data) :]
        if offset is not None:
            os.fsync(self._file)

    def _rewrite(self, old: Layout, new: Layout, header: bytes) -> None:
        descriptor, self._file = self._file, -1
        os.close(descriptor)
        path = self.path.resolve()
        try:
            rewrite(path, len(old.header(0, continuous=True)), old, new, header)
        finally:
            self._file = os.open(path, _FLAGS)

    def _check(self) -> None:
        """Raise what went wrong in the thread."""
        while self._waiting and (self._closed or self._waiting[0].done()):
            error = self._waiting.popleft().exception()
            if error is not None:
                self._waiting.clear()
                raise RecordingError(
                    self.path, f"cannot be written on ({error})", "free some space"
                ) from error


class _Own(Annotation):
    """A mark of the writer itself, already in file time."""

    __slots__ = ()

    @classmethod
    def of(cls, mark: Annotation) -> _Own:
        return cls(mark.onset, mark.duration, mark.label)
