"""Frames through a noisy line and our own decoder: ``python -m tests.bench.wire_noise [FRAMES]``.

Two counts. On a line that flips, drops and repeats bytes, how many frames that arrived whole are found, and how
many wrong ones pass. And, because there nearly all damage is of the short kind that a CRC of 16 bits finds for
certain, frames scrambled beyond that: of those that come to the check at all, one in 65,536 should pass.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass

import numpy as np

from bridge.sources.frames import FrameDecoder, Sample, cobs_decode, encode

RESIDUAL = 2.0**-16
_AT_ONCE = 50_000  # fewer than the numbers a frame can have, so that a number names a frame


@dataclass(frozen=True, slots=True)
class Noise:
    """What came of ``frames``; ``intact`` ones arrived with every byte of theirs and none more."""

    frames: int
    intact: int
    intact_found: int
    touched: int
    wrong: int


@dataclass(frozen=True, slots=True)
class Scrambled:
    """Frames with four bytes replaced: how many a check was made of, and how many wrong ones passed it."""

    frames: int
    checked: int
    wrong: int

    @property
    def expected(self) -> float:
        return self.checked * RESIDUAL


def noisy_line(frames: int, share: float = 0.001, seed: int = 101) -> Noise:
    """``share`` of the bytes flipped, as many dropped, as many repeated."""
    random = np.random.default_rng(seed)
    decoder = FrameDecoder()
    intact = intact_found = touched_all = wrong = 0
    for start in range(0, frames, _AT_ONCE):
        count = min(_AT_ONCE, frames - start)
        sent = [tuple(row) for row in random.integers(0, 1024, (count, 3)).tolist()]
        coded = [encode(Sample(number, counts)) for number, counts in enumerate(sent)]
        raw = np.frombuffer(b"".join(coded), np.uint8)
        owner = np.repeat(np.arange(count), [len(frame) for frame in coded])
        chance = random.random(raw.size) / share
        flipped, dropped = chance < 1, (chance >= 1) & (chance < 2)
        repeated = (chance >= 2) & (chance < 3)
        touched = np.zeros(count, bool)
        touched[owner[flipped | dropped | repeated]] = True
        noise = random.integers(1, 256, raw.size).astype(np.uint8)
        line = np.repeat(np.where(flipped, raw ^ noise, raw), np.where(dropped, 0, np.where(repeated, 2, 1)))
        found: set[int] = set()
        for message in decoder.feed(line.tobytes()):
            number = message.number if isinstance(message, Sample) else count
            if isinstance(message, Sample) and number < count and message.values == sent[number]:
                found.add(number)
            else:
                wrong += 1
        whole = np.flatnonzero(~touched).tolist()
        intact += len(whole)
        intact_found += len(found.intersection(whole))
        touched_all += int(touched.sum())
    return Noise(frames, intact, intact_found, touched_all, wrong)


def scrambled(frames: int, seed: int = 7) -> Scrambled:
    """Four bytes of each frame's number, values or CRC replaced by others, none of them a delimiter."""
    random = np.random.default_rng(seed)
    decoder = FrameDecoder()
    checked = wrong = 0
    for start in range(0, frames, _AT_ONCE):
        count = min(_AT_ONCE, frames - start)
        values = random.integers(256, 1024, (count, 3)).tolist()
        places = np.argsort(random.random((count, 10)), axis=1)[:, :4].tolist()
        others = random.integers(1, 255, (count, 4)).tolist()
        for number, counts in enumerate(values):
            frame = bytearray(encode(Sample(number, tuple(counts))))
            for place, other in zip(places[number], others[number], strict=True):
                frame[3 + place] = other if other < frame[3 + place] else other + 1
            raw = cobs_decode(bytes(frame[1:-1]))
            checked += raw is not None and len(raw) == 11
            wrong += len(decoder.feed(bytes(frame)))
    return Scrambled(frames, checked, wrong)


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    line, wild = noisy_line(frames), scrambled(frames)
    print(
        json.dumps({"line": asdict(line), "scrambled": asdict(wild) | {"expected": wild.expected}}, indent=2)
    )


if __name__ == "__main__":
    main()
