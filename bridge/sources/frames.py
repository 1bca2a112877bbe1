"""The wire format of our own microcontroller program: bytes in, hellos and samples out. No input or output.

A frame is 0, then the COBS code of (type, body, CRC-16), then 0. COBS (Cheshire & Baker 1999, consistent
overhead byte stuffing, from memory) leaves no zero byte inside, so whatever was lost or mangled, the next
zero starts afresh; a zero at both ends means that one damaged delimiter costs no more than the frames on
its two sides. The CRC is CRC-16 with polynomial 0x1021 and start value 0xFFFF. Of frames damaged at
random one in 65536 passes it.
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass
from struct import Struct
from typing import Final, Literal, TypeAlias

PROTOCOL_VERSION: Final = 1
MOST_CHANNELS: Final = 6
# Longer than any frame of this version; what has no zero for so long is thrown away.
_LONGEST: Final = 64
_HELLO: Final = Struct("<B3sBBBBHHHH")
_SAMPLES: Final = {count: Struct(f"<BH{count}H") for count in range(1, MOST_CHANNELS + 1)}
_SAMPLE_SIZES: Final = {packing.size: (packing.unpack, count) for count, packing in _SAMPLES.items()}
_TYPE_HELLO: Final = ord("H")
_TYPE_SAMPLE: Final = ord("S")

Status = Literal["running", "started", "unknown", "line-too-slow"]
_STATUS: tuple[Status, ...] = ("running", "started", "unknown", "line-too-slow")


@dataclass(frozen=True, slots=True)
class Hello:
    """What a board says of itself; ``number`` is that of the sample it takes next.

    ``status``: ``running``; ``started`` when numbering began anew; ``unknown`` or ``line-too-slow`` when
    the last command was refused.
    """

    version: int
    status: Status
    channels: int
    bits: int
    rate_hz: int
    reference_mv: int
    baud: int
    number: int


@dataclass(frozen=True, slots=True)
class Sample:
    """One scan of the inputs: its number modulo 65536 and a count for each channel."""

    number: int
    values: tuple[int, ...]


Message: TypeAlias = Hello | Sample


class FrameDecoder:
    """Feed it bytes as they come, get the messages of the frames that were completed.

    ``bad`` counts pieces between zeros that are no frame; the first piece after ``reset`` may be the rest
    of one and is not counted.
    """

    def __init__(self) -> None:
        self.bad = 0
        self._tail = b""
        self._fresh = True

    def reset(self) -> None:
        """The connection is new."""
        self._tail = b""
        self._fresh = True

    def feed(self, data: bytes) -> list[Message]:
        pieces = (self._tail + data).split(b"\0")
        self._tail = pieces.pop()
        found: list[Message] = []
        for piece in pieces:
            if not piece:
                self._fresh = False
                continue
            message = decode(piece)
            if message is not None:
                found.append(message)
            elif not self._fresh:
                self.bad += 1
            self._fresh = False
        if len(self._tail) > _LONGEST:
            # Keep one byte too many, so that the rest of this piece is not taken for a frame.
            self._tail = self._tail[: _LONGEST + 1]
        return found


def decode(piece: bytes) -> Message | None:
    """The message between two zeros, or None if it was damaged."""
    if len(piece) > _LONGEST:
        return None
    raw = cobs_decode(piece)
    if raw is None or len(raw) < 3:
        return None
    body = raw[:-2]
    if crc_hqx(body, 0xFFFF) != raw[-2] | raw[-1] << 8:
        return None
    if body[0] == _TYPE_SAMPLE and len(body) in _SAMPLE_SIZES:
        unpack, _ = _SAMPLE_SIZES[len(body)]
        fields = unpack(body)
        return Sample(fields[1], fields[2:])
    if body[0] == _TYPE_HELLO and len(body) == _HELLO.size:
        _, magic, version, status, channels, bits, rate, reference, baud, number = _HELLO.unpack(body)
        sensible = status < len(_STATUS) and rate and 1 <= channels <= MOST_CHANNELS
        if magic == b"bio" and version == PROTOCOL_VERSION and sensible:
            return Hello(version, _STATUS[status], channels, bits, rate, reference, baud * 100, number)
    return None


def encode(message: Message) -> bytes:
    """A whole frame with its delimiters: what the board sends."""
    if isinstance(message, Sample):
        body = _SAMPLES[len(message.values)].pack(_TYPE_SAMPLE, message.number & 0xFFFF, *message.values)
    else:
        body = _HELLO.pack(
            _TYPE_HELLO,
            b"bio",
            message.version,
            _STATUS.index(message.status),
            message.channels,
            message.bits,
            message.rate_hz,
            message.reference_mv,
            message.baud // 100,
            message.number & 0xFFFF,
        )
    crc = crc_hqx(body, 0xFFFF)
    return b"\0" + cobs_encode(body + bytes((crc & 0xFF, crc >> 8))) + b"\0"


def cobs_encode(raw: bytes) -> bytes:
    """Replace each zero by the distance to the next; the result holds none."""
    out = bytearray()
    for part in raw.split(b"\0"):
        rest = part
        while len(rest) >= 254:
            out += b"\xff" + rest[:254]
            rest = rest[254:]
        out.append(len(rest) + 1)
        out += rest
    return bytes(out)


def cobs_decode(coded: bytes) -> bytes | None:
    """What ``cobs_encode`` was given, or None if this cannot be its result."""
    parts = []
    position = 0
    end = len(coded)
    while position < end:
        code = coded[position]
        after = position + code
        if code == 0 or after > end:
            return None
        parts.append(coded[position + 1 : after])
        if code < 255 and after < end:
            parts.append(b"\0")
        position = after
    return b"".join(parts)


def line_budget(channels: int, rate_hz: int, *, text: bool = False) -> int:
    """Bits a second that samples need on the line: ten bits a byte, start and stop bit included.

    A frame has two delimiters, one COBS byte, a type, a number of two bytes, two bytes a channel and a
    CRC of two. A text line has at most four digits and a separator a channel and one more byte at its end.
    """
    size = 5 * channels + 1 if text else 2 * channels + 8
    return rate_hz * size * 10
