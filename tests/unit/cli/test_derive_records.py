"""Cutting bytes into records and reading their numbers: properties against the plain ways of doing the same."""

from __future__ import annotations

import csv
import io
import itertools
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.cli.tables.filter import Wanted, derive_table
from ingest.cli.tables.layout import read_layout
from ingest.cli.tables.numbers import NumberReader
from ingest.cli.tables.records import MAX_RECORD, Records, RecordSplitter
from ingest.cli.tables.slots import fill_slots

FIELD = st.text(alphabet='ab"; \r\n\t5,é', max_size=6)
"""Cells as people write them: quotation marks, delimiters and line breaks in the middle."""


def all_records(data: bytes, cuts: list[int], delimiter: bytes = b",") -> list[tuple[bytes, int, int]]:
    """Feed `data` in pieces cut at `cuts`, and give each record's bytes, row number and line number."""
    splitter = RecordSplitter(delimiter, line=1, name="test")
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    parts = [splitter.feed(data[a:b]) for a, b in itertools.pairwise(edges)]
    parts.append(splitter.finish())
    return [
        (record, part.first_row + i, int(part.lines[i]))
        for part in parts
        if part is not None
        for i, record in enumerate(part)
    ]


@settings(max_examples=200)
@given(
    st.lists(st.lists(FIELD, min_size=2, max_size=4), max_size=8),
    st.lists(st.integers(0, 300), max_size=5),
    st.sampled_from(["\n", "\r\n"]),
)
def test_records_are_the_rows_that_were_written_wherever_blocks_end(
    rows: list[list[str]], cuts: list[int], line_end: str
) -> None:
    """Whatever Python's csv writer writes comes back row by row, however the bytes are cut into blocks."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator=line_end)
    written = []
    for row in rows:
        start = text.tell()
        # Python 3.11's writer leaves a lone carriage return unquoted where it is no part of the line end.
        writer.writerow([field if line_end == "\r\n" else field.replace("\r", "") for field in row])
        written.append(text.getvalue()[start:].removesuffix(line_end).encode())
    records = all_records(text.getvalue().encode(), cuts)
    expected = [record for record in written if record.strip()]
    assert [record for record, _, _ in records] == expected
    assert [row for _, row, _ in records] == list(range(1, len(expected) + 1))


@settings(max_examples=200)
@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=6))
def test_cutting_does_not_depend_on_where_blocks_end(data: bytes, cuts: list[int]) -> None:
    """Any bytes give the same records and the same numbers in one block as in several."""
    assert all_records(data, cuts) == all_records(data, [])


def test_line_numbers_count_blank_lines_and_lines_within_fields() -> None:
    """A record is told with the line on which it starts, as an editor shows it; rows count only records."""
    assert all_records(b'a,1\n\n"b\nc",2\n  \nd,3', []) == [(b"a,1", 1, 1), (b'"b\nc",2', 2, 3), (b"d,3", 3, 6)]


def test_unclosed_quotation_mark_costs_one_row_not_the_file() -> None:
    """Behind a mark that is never closed, within reach, rows go on; memory does not grow with what follows."""
    rows = b"ok,1\n" * (MAX_RECORD // 5 + 100)
    splitter = RecordSplitter(b",", line=1, name="test")
    parts = [splitter.feed(b'"never,closed\n' + rows), splitter.finish()]
    assert sum(len(part) for part in parts if part) == rows.count(b"\n") + 1
    assert parts[0] is not None
    assert parts[0].unclosed == {0}


def fast_and_slow(data: bytes, header: bytes) -> tuple[tuple[object, ...], tuple[object, ...]]:
    """Read the numbers of a table both ways."""
    layout = read_layout(header, name="test")
    splitter = RecordSplitter(layout.delimiter.encode(), line=2, name="test")
    reader = NumberReader(layout)
    both: list[tuple[object, ...]] = []
    parts = [part for part in (splitter.feed(data), splitter.finish()) if part is not None]
    for read in (reader.read, reader.read_one_by_one):  # in this order: the first learns the decimal mark
        numbers = [read(part) for part in parts]
        both.append(
            (
                [n.values.tobytes() for n in numbers],
                [n.good.tolist() for n in numbers],
                [n.problems for n in numbers],
            )
        )
    return both[0], both[1]


NUMBER_LIKE = st.one_of(
    st.floats(-70, 130).map(repr),
    st.integers(-70, 130).map(str),
    st.sampled_from([" 21.5 ", "+5", ".5", "1.", "1e1", "", "nan", "inf", "-0", "0x10", "1_0", "21,5", "١", "9" * 400]),
    st.text(alphabet='0123456789.,eE+-" ;\t\r', max_size=5),
)


@settings(max_examples=300)
@given(st.lists(st.lists(NUMBER_LIKE, min_size=1, max_size=4), min_size=1, max_size=6), st.sampled_from([",", ";"]))
def test_fast_reading_and_careful_reading_agree(rows: list[list[str]], delimiter: str) -> None:
    """The fast path gives the numbers, the good rows and the problems that reading row by row gives."""
    header = delimiter.join(["note", "temperature_c", "rh_percent"]).encode()
    data = "".join(delimiter.join(["x", *row]) + "\n" for row in rows).encode()
    fast, slow = fast_and_slow(data, header)
    assert fast == slow


@settings(max_examples=50)
@given(
    st.lists(st.tuples(FIELD, st.floats(-20, 40), st.floats(0, 100)), min_size=1, max_size=20),
    st.sets(st.integers(0, 19)),
)
def test_good_rows_do_not_change_when_bad_ones_are_among_them(
    rows: list[tuple[str, float, float]], spoiled: set[int]
) -> None:
    """A table with bad rows gives exactly the lines that the table without them gives."""
    header = "temperature_c,rh_percent,note\r\n"
    text, clean = io.StringIO(header), io.StringIO(header)
    for out, kept in ((text, range(len(rows))), (clean, [i for i in range(len(rows)) if i not in spoiled])):
        out.seek(0, io.SEEK_END)
        writer = csv.writer(out)
        for i in kept:
            note, temperature_c, rh_percent = rows[i]
            writer.writerow([repr(temperature_c), "120" if i in spoiled else repr(rh_percent), note])
    assert derived(text.getvalue().encode())[0] == derived(clean.getvalue().encode())[0]
    assert derived(text.getvalue().encode())[1] == [i + 1 for i in sorted(spoiled) if i < len(rows)]


@given(
    st.lists(
        st.one_of(
            st.floats(-1e7, 1e7),
            st.floats(-1.0, 1.0),
            st.sampled_from([0.0, -0.0, 9.99999996, 0.09999999999, 999_998.99, 999_999.5, 1e-4, 9.9999999e-5, 1e300]),
        ),
        min_size=1,
        max_size=20,
    ),
    st.sampled_from([",", ";"]),
    st.sampled_from([".", ","]),
)
def test_numbers_are_written_with_seven_significant_digits(values: list[float], delimiter: str, mark: str) -> None:
    """Every number is told to half a unit of its seventh digit, at least six of them true, and none is lost."""
    words = np.empty((len(values), 2), np.uint64)
    fill_slots(words, np.array(values), delimiter, mark)
    for value, slot in zip(values, words, strict=True):
        text = slot.tobytes().replace(b"\0", b"").decode("ascii")
        assert text[0] == delimiter
        assert re.fullmatch(r"-?\d+\.\d+(e[+-]\d+)?", text[1:].replace(mark, "."))
        written = float(text[1:].replace(mark, "."))
        assert written == pytest.approx(value, rel=5.0001e-7, abs=0)
        assert sum(c.isdigit() for c in text.partition("e")[0].lstrip(delimiter + "-0.,")) in (0, 7)
        assert (not text.startswith(f"{delimiter}-")) == (not value < 0)


def derived(table: bytes) -> tuple[bytes, list[int]]:
    """Give a table's output and the numbers of its bad rows."""
    out, bad = io.BytesIO(), []
    derive_table(io.BytesIO(table), out, lambda problem: bad.append(problem.row), Wanted(), name="test")
    return out.getvalue(), bad


@pytest.mark.parametrize("wanted", [[True, False, True], [False, True, False]])
def test_only_the_wanted_records_are_kept(wanted: list[bool]) -> None:
    """Leaving records out keeps the bytes and line ends of the others."""
    records = RecordSplitter(b",", line=1, name="test").feed(b"a\r\nb\nc\n")
    assert isinstance(records, Records)
    kept = records.only(np.array(wanted))
    whole = [b"a\r\n", b"b\n", b"c\n"]
    assert kept.data == b"".join(line for line, keep in zip(whole, wanted, strict=True) if keep)
    assert list(kept) == [line.rstrip() for line, keep in zip(whole, wanted, strict=True) if keep]
