"""The line decoder against the shapes of text that boards send, and against anything else."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.sources.lines import LONGEST_LINE, LineDecoder, parse_line


@pytest.mark.parametrize(
    ("line", "row"),
    [
        (b"512", [512]),
        (b"512\r", [512]),
        (b"  -3.5  ", [-3.5]),
        (b"1,2,3", [1, 2, 3]),
        (b"1, 2 ,3", [1, 2, 3]),
        (b"1\t2\t3", [1, 2, 3]),
        (b"1;2;3", [1, 2, 3]),
        (b"1 2 3", [1, 2, 3]),
        (b"1;2,3\t4 5", [1, 2, 3, 4, 5]),
        (b"1,2,3,", [1, 2, 3]),
        (b".5,5.,+5,1e3,-1.5E-2", [0.5, 5, 5, 1000, -0.015]),
        (b"A0:512", [512]),
        (b"ecg=3", [3]),
        (b"A0: 512, A1: 300\r", [512, 300]),
        (b"A0:512\tA1:300", [512, 300]),
        (b"left arm: 1 right arm: 2", [1, 2]),
        (b"Fp1=-1e2;Fp2=.5", [-100, 0.5]),
    ],
)
def test_lines_of_numbers(line: bytes, row: list[float]) -> None:
    assert parse_line(line) == row


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"   ",
        b"hello",
        b"ready.",
        b"nan",
        b"inf",
        b"1,nan",
        b"1_000",
        b"0x1F",
        b"1-2",
        b"--5",
        b"12:30:15",
        b"A0512x",
        b"A0:",
        b"A0:512 and more",
        b"A0:512A1:300",
        b"1e999",
        b"9" * 400,
        b"1,2\x00",
        b"\xff\xfe12",
        b"1" * (LONGEST_LINE + 1),
    ],
)
def test_what_is_no_line_of_numbers(line: bytes) -> None:
    assert parse_line(line) is None


def test_the_first_bytes_are_the_rest_of_some_line() -> None:
    decoder = LineDecoder()
    assert decoder.feed(b"34,56\n1,2\n3,") == [[1, 2]]
    assert decoder.feed(b"4\n") == [[3, 4]]
    assert decoder.skipped == 0


def test_wrong_lines_are_counted_and_passed_over() -> None:
    decoder = LineDecoder(2, whole=True)
    assert decoder.feed(b"1,2\n3\nx\n\n\r\n4,5,6\n7,8\r\n") == [[1, 2], [7, 8]]
    assert decoder.skipped == 3  # "3", "x" and "4,5,6"; empty lines do not count


def test_a_storm_without_line_ends_is_one_skipped_line_and_takes_no_memory() -> None:
    decoder = LineDecoder(1, whole=True)
    for _ in range(1000):
        assert decoder.feed(b"5" * 1000) == []
        assert len(decoder._tail) <= LONGEST_LINE
    assert decoder.skipped == 1
    assert decoder.feed(b"77\n8\n") == [[8]]
    assert decoder.skipped == 1


row_lists = st.lists(
    st.lists(
        st.floats(-1e9, 1e9, allow_nan=False).map(lambda x: round(x, 3)) | st.integers(-(10**6), 10**6),
        min_size=3,
        max_size=3,
    ),
    max_size=20,
)


@given(row_lists, st.sampled_from([",", ";", "\t", " ", ", "]), st.sampled_from(["\n", "\r\n"]), st.data())
def test_any_split_of_the_bytes_gives_the_same_rows(
    rows: list[list[float]], separator: str, end: str, data: st.DataObject
) -> None:
    text = "".join(separator.join(map(repr, row)) + end for row in rows).encode()
    decoder = LineDecoder(3, whole=True)
    found: list[list[float]] = []
    position = 0
    while position < len(text):
        step = data.draw(st.integers(1, 40))
        found.extend(decoder.feed(text[position : position + step]))
        position += step
    assert found == [[float(value) for value in row] for row in rows]
    assert decoder.skipped == 0


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_any_bytes_at_all_give_finite_rows_and_no_error(chunks: list[bytes]) -> None:
    decoder = LineDecoder()
    for chunk in chunks:
        for row in decoder.feed(chunk):
            assert row
            assert all(math.isfinite(value) for value in row)


@given(st.binary(max_size=200).filter(lambda junk: b"\n" not in junk))
def test_after_junk_the_next_whole_line_is_read(junk: bytes) -> None:
    decoder = LineDecoder(2)
    decoder.feed(junk)
    assert decoder.feed(b"\n1,2\n") == [[1.0, 2.0]]
