"""The wire format: round trips, damage of every kind, and what the CRC lets through."""

from __future__ import annotations

from binascii import crc_hqx

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.sources.board import BoardSession
from bridge.sources.frames import (
    FrameDecoder,
    Hello,
    Message,
    Sample,
    Status,
    cobs_decode,
    cobs_encode,
    decode,
    encode,
    line_budget,
)
from bridge.sources.numbering import Numbering
from tests.bench.wire_noise import noisy_line, scrambled

samples = st.builds(
    Sample,
    st.integers(0, 65535),
    st.lists(st.integers(0, 65535), min_size=1, max_size=6).map(tuple),
)
hellos = st.builds(
    Hello,
    st.just(1),
    st.sampled_from(["running", "started", "unknown", "line-too-slow"]),
    st.integers(1, 6),
    st.integers(8, 24),
    st.sampled_from([125, 250, 500, 1000]),
    st.integers(0, 65535),
    st.sampled_from([115200, 250000, 1000000]),
    st.integers(0, 65535),
)


def test_the_crc_is_the_catalogued_one() -> None:
    # Check value of CRC-16/CCITT-FALSE (poly 0x1021, init 0xFFFF) for "123456789" in CRC catalogues: 0x29B1.
    assert crc_hqx(b"123456789", 0xFFFF) == 0x29B1


@pytest.mark.parametrize(
    ("raw", "coded"),
    [
        # The published examples of COBS (Cheshire & Baker 1999; from memory).
        (b"\x00", b"\x01\x01"),
        (b"\x00\x00", b"\x01\x01\x01"),
        (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
        (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
        (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    ],
)
def test_cobs_examples(raw: bytes, coded: bytes) -> None:
    assert cobs_encode(raw) == coded
    assert cobs_decode(coded) == raw


@given(st.binary(max_size=600))
def test_cobs_round_trip_holds_no_zero(raw: bytes) -> None:
    coded = cobs_encode(raw)
    assert 0 not in coded
    assert cobs_decode(coded) == raw


@given(st.lists(samples | hellos, max_size=20), st.data())
def test_any_split_gives_all_messages(messages: list[Message], data: st.DataObject) -> None:
    stream = b"".join(map(encode, messages))
    decoder = FrameDecoder()
    found: list[Message] = []
    position = 0
    while position < len(stream):
        step = data.draw(st.integers(1, 50))
        found.extend(decoder.feed(stream[position : position + step]))
        position += step
    assert found == messages
    assert decoder.bad == 0


@given(st.lists(st.binary(max_size=300), max_size=10))
def test_any_bytes_at_all_are_survived(chunks: list[bytes]) -> None:
    decoder = FrameDecoder()
    for chunk in chunks:
        decoder.feed(chunk)
        assert len(decoder._tail) <= 66
    assert decoder.feed(b"\0\0" + encode(Sample(5, (1, 2)))) == [Sample(5, (1, 2))]


def test_every_whole_frame_survives_noise_drops_and_repeats() -> None:
    """Bytes flipped, dropped and repeated, 1 in 1000 each: frames whose own bytes arrived whole are found."""
    result = noisy_line(200_000)
    assert result.touched > 5000
    assert result.intact_found == result.intact == 200_000 - result.touched
    # Damage this light is nearly all of a kind that the CRC finds for certain.
    assert result.wrong <= 3


def test_of_scrambled_frames_the_crc_lets_through_one_in_65536() -> None:
    """10^6 through our decoder: 2^-16 of those checked pass, within five standard deviations (Poisson)."""
    result = scrambled(1_000_000)
    assert result.checked > 900_000
    assert result.wrong > 0
    assert abs(result.wrong - result.expected) < 5 * result.expected**0.5


@given(samples, st.data())
def test_damage_of_up_to_two_bits_is_always_found(sample: Sample, data: st.DataObject) -> None:
    # CRC-16 with this polynomial finds every error of two bits in blocks up to 32751 bits (computed).
    frame = encode(sample)
    raw = bytearray(cobs_decode(frame[1:-1]) or b"")
    for bit in data.draw(st.sets(st.integers(0, len(raw) * 8 - 1), min_size=1, max_size=2)):
        raw[bit // 8] ^= 1 << bit % 8
    assert decode(cobs_encode(bytes(raw))) is None


def test_line_budget_table() -> None:
    # Ten bits a byte; the frame's length is taken from the encoder, not from the formula.
    for channels in range(1, 7):
        longest = len(encode(Sample(300, (257,) * channels)))
        for rate in (125, 250, 500, 1000):
            assert line_budget(channels, rate) == longest * 10 * rate
    assert line_budget(6, 1000) <= 250_000 * 0.95
    assert line_budget(1, 1000) <= 115_200 * 0.95 < line_budget(2, 1000)
    assert line_budget(6, 1000, text=True) > 250_000


# -- numbers to indices ------------------------------------------------------------------------------


def place_all(numbering: Numbering, numbers: list[int], due: float | None = None) -> list[int]:
    return [index for number in numbers for index, _ in numbering.place(number % 65536, (0,), lambda: due)]


def test_numbers_wrap_and_gaps_count() -> None:
    numbering = Numbering(250)
    numbers = [n for n in range(65_000, 200_000) if not 70_000 <= n < 70_040]
    assert place_all(numbering, numbers) == [n - 65_000 for n in numbers]


def test_a_mangled_number_costs_one_sample() -> None:
    numbering = Numbering(250)
    numbers = [*range(100), 40_000, *range(101, 200)]
    assert place_all(numbering, numbers) == [*range(100), *range(101, 200)]


def test_repeated_frames_are_dropped() -> None:
    numbering = Numbering(250)
    numbers = [*range(100), 97, 98, 99, *range(100, 120)]
    assert place_all(numbering, numbers) == [*range(120)]


def test_long_stalls_are_exact_by_number_and_clock() -> None:
    numbering = Numbering(1000)
    place_all(numbering, list(range(100)))
    later = 100 + 200_000
    # Three turns of the counter were missed; the clock is 30 ms off.
    assert place_all(numbering, [later, later + 1, later + 2], due=later + 30) == [
        later,
        later + 1,
        later + 2,
    ]


def test_a_board_that_starts_anew_is_placed_by_the_clock() -> None:
    numbering = Numbering(250)
    place_all(numbering, list(range(1000)))
    numbering.restarted()
    assert place_all(numbering, [0, 1, 2, 3], due=1500.0) == [1499, 1500, 1501, 1502]


# -- the session -------------------------------------------------------------------------------------


def hello(status: str, channels: int, rate: int, number: int = 0) -> bytes:
    said: Status = status  # type: ignore[assignment]
    return encode(Hello(1, said, channels, 10, rate, 5000, 250_000, number))


def test_a_session_sets_the_board_and_believes_only_then() -> None:
    session = BoardSession(3, 500)
    assert session.outgoing() == b""  # nothing is written before a hello
    assert session.feed(hello("started", 1, 250) + encode(Sample(0, (1,)))) == []
    assert session.outgoing() == b"channels 3\n"
    assert session.outgoing() == b""
    session.feed(hello("started", 3, 250))
    assert session.outgoing() == b"rate 500\n"
    # The answer is lost; the hello of the next second makes it good.
    session.feed(hello("running", 3, 250))
    assert session.outgoing() == b"rate 500\n"
    assert session.feed(
        encode(Sample(9, (1, 2, 3))) + hello("started", 3, 500) + encode(Sample(0, (4, 5, 6)))
    ) == [Sample(0, (4, 5, 6))]
    assert session.settled


def test_a_session_goes_down_in_rate_before_up_in_channels() -> None:
    session = BoardSession(6, 250)
    session.feed(hello("running", 1, 1000))
    assert session.outgoing() == b"rate 250\n"


def test_a_refusal_is_explained() -> None:
    session = BoardSession(6, 1000)
    session.feed(hello("running", 1, 250))
    session.outgoing()
    session.feed(hello("line-too-slow", 1, 250))
    assert session.refused == "line-too-slow"
    assert session.outgoing() == b""
    assert "more than 250000 baud carry" in session.refusal()


def test_a_board_that_restarts_in_the_middle_is_set_again() -> None:
    session = BoardSession(2, 500)
    session.feed(hello("running", 2, 500))
    assert session.feed(encode(Sample(7, (1, 2)))) == [Sample(7, (1, 2))]
    assert session.feed(hello("started", 1, 250) + encode(Sample(0, (1,)))) == []
    assert session.restarts == 1
    assert session.outgoing() == b"channels 2\n"
