"""From blocks of bytes to whole records: where each starts and ends, and on which line of the file.

A record is a line, or several where a quoted field holds line breaks. A quotation mark that is opened and never closed
(a board of 5", typed into a note) must not swallow the rest of a file: a record may be `MAX_RECORD` long, and when the
mark is not closed by then, its line alone is a bad row and reading goes on behind it. Memory stays bounded by a block
plus a record, however long the input is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.errors import InputError

MAX_RECORD: Final = 1 << 16
_QUOTE: Final = 0x22
_INSIDE_QUOTES: Final = re.compile(rb'(?:[^"]|"")*')
Positions = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Records:
    """Whole records of one stretch of a file, with nothing between them but their line ends.

    data: the bytes, line ends included.  starts, ends: int64 (n,), record i is data[starts[i]:ends[i]], its line end
    not counted.  lines: int64 (n,), the line of the file on which each starts, from 1.  first_row: number of the first
    record, counted from 1 below the header.  unclosed: indices of records in which a quotation mark is never closed.
    """

    data: bytes
    starts: Positions
    ends: Positions
    lines: Positions
    first_row: int
    unclosed: frozenset[int] = frozenset()

    def __len__(self) -> int:
        return len(self.starts)

    def __getitem__(self, index: int) -> bytes:
        return self.data[self.starts[index] : self.ends[index]]

    def __iter__(self) -> Iterator[bytes]:
        data = self.data
        return (data[start:end] for start, end in zip(self.starts.tolist(), self.ends.tolist(), strict=True))

    def part(self, first: int, last: int) -> Records:
        """Give records first <= i < last (at least one)."""
        begin = self.starts[first]
        end = self.starts[last] if last < len(self) else len(self.data)
        return Records(
            self.data[begin:end],
            self.starts[first:last] - begin,
            self.ends[first:last] - begin,
            self.lines[first:last],
            self.first_row + first,
            frozenset(i - first for i in self.unclosed if first <= i < last),
        )

    def only(self, wanted: NDArray[np.bool_]) -> Records:
        """Give the wanted records, closed up; row numbers no longer mean anything then."""
        followed_by = np.append(self.starts[1:], len(self.data))
        kept = zip(self.starts[wanted].tolist(), followed_by[wanted].tolist(), strict=True)
        pieces = [self.data[start:end] for start, end in kept]
        starts = np.cumsum([0, *map(len, pieces)], dtype=np.int64)[:-1]
        lengths = (self.ends - self.starts)[wanted]
        return Records(b"".join(pieces), starts, starts + lengths, self.lines[wanted], self.first_row)


class RecordSplitter:
    """Cut blocks of bytes into whole records, keeping what is not yet whole for the next block."""

    def __init__(self, delimiter: bytes, *, line: int, name: str) -> None:
        """Start below the header.  line: the line of the file that comes next.  name: of the input, for messages."""
        self._delimiter = delimiter
        self._line = line
        self._row = 1
        self._name = name
        self._rest = b""

    def feed(self, block: bytes) -> Records | None:
        """Take the next bytes and give the records that are whole now, if any.

        Raises InputError when a line is longer than `MAX_RECORD`: that is no table.
        """
        data = self._rest + block
        end = data.rfind(b"\n") + 1
        if len(data) - end > MAX_RECORD:
            line = self._line + data.count(b"\n")
            raise InputError(
                f"line {line} is longer than {MAX_RECORD} bytes",
                where=self._name,
                mend="This does not look like a CSV table with one row per line; was it saved as text?",
            )
        return self._cut(data, end, final=False)

    def finish(self) -> Records | None:
        """Say that nothing follows, and give what is left."""
        data, self._rest = self._rest, b""
        if data and not data.endswith(b"\n"):
            data += b"\n"  # appending takes it off again where it puts the input's own line end
        return self._cut(data, len(data), final=True)

    def _cut(self, data: bytes, end: int, *, final: bool) -> Records | None:
        starts, ends = _lines(data[:end])
        lines = np.arange(self._line, self._line + len(starts), dtype=np.int64)
        unclosed: frozenset[int] = frozenset()
        if _QUOTE in data:
            keep, ends, unclosed, whole = _joined(data[:end], starts, ends, self._delimiter, final=final)
            end = int(starts[whole]) if whole < len(starts) else end
            self._line += whole
            keep[whole:] = False
            unclosed = frozenset(np.searchsorted(np.flatnonzero(keep), sorted(unclosed)).tolist())
            starts, ends, lines = starts[keep], ends[keep], lines[keep]
        else:
            self._line += len(starts)
        self._rest = data[end:]
        records = _without_blanks(Records(data[:end], starts, ends, lines, self._row, unclosed))
        self._row += len(records)
        return records if len(records) else None


def _lines(data: bytes) -> tuple[Positions, Positions]:
    """Give where each line of `data` (which ends with a line feed, or is empty) starts and ends."""
    text = np.frombuffer(data, np.uint8)
    feeds = np.flatnonzero(text == 0x0A)
    starts = np.append(0, feeds[:-1] + 1) if len(feeds) else feeds
    if b"\r" not in data:
        return starts, feeds
    return starts, feeds - ((feeds > starts) & (text[feeds - 1] == 0x0D))


def _joined(
    data: bytes, starts: Positions, ends: Positions, delimiter: bytes, *, final: bool
) -> tuple[NDArray[np.bool_], Positions, frozenset[int], int]:
    """Join lines that one quoted field spans.

    Gives which lines start a record, where that record ends, which hold a mark that is never closed, and how many
    lines belong to whole records (the others wait for more).
    """
    marks = np.flatnonzero(np.frombuffer(data, np.uint8) == _QUOTE)
    odd = (np.searchsorted(marks, ends) - np.searchsorted(marks, starts)) % 2 == 1
    keep, ends, resume = np.ones(len(starts), np.bool_), ends.copy(), 0
    unclosed: set[int] = set()
    for first in np.flatnonzero(odd).tolist():  # a line with an even number of marks closes what it opens
        if first < resume or not _stays_open(data[starts[first] : ends[first]], delimiter, inside=False):
            continue
        last = _closing_line(data, starts, ends, first, delimiter)
        if last is None and not final and len(data) - starts[first] <= MAX_RECORD:
            return keep, ends, frozenset(unclosed), first
        if last is None:
            unclosed.add(first)
            continue
        keep[first + 1 : last + 1] = False
        ends[first], resume = ends[last], last + 1
    return keep, ends, frozenset(unclosed), len(starts)


def _closing_line(data: bytes, starts: Positions, ends: Positions, first: int, delimiter: bytes) -> int | None:
    """Give the line that closes the mark opened on line `first`, or None where none within reach does."""
    for line in range(first + 1, len(starts)):
        if ends[line] - starts[first] > MAX_RECORD:
            return None
        if not _stays_open(data[starts[line] : ends[line]], delimiter, inside=True):
            return line
    return None


def _stays_open(line: bytes, delimiter: bytes, *, inside: bool) -> bool:
    """Say whether a quoted field is open at the end of a line (a mark within an unquoted field is just a character)."""
    position = 0
    while True:
        if inside or line.startswith(b'"', position):
            match = _INSIDE_QUOTES.match(line, position if inside else position + 1)
            assert match is not None  # it matches nothing, at the least
            if match.end() == len(line):
                return True
            position, inside = match.end() + 1, False
        position = line.find(delimiter, position) + 1
        if position == 0:
            return False


def _without_blanks(records: Records) -> Records:
    """Leave out lines that are empty or hold only spaces; they are no rows."""
    blank = records.ends == records.starts
    text = np.frombuffer(records.data, np.uint8)
    for index in np.flatnonzero(~blank & (text[records.starts] <= 0x20) if len(records) else blank[:0]).tolist():
        blank[index] = not records[index].strip()
    if not blank.any():
        return records
    unclosed = np.zeros(len(records), np.bool_)
    unclosed[list(records.unclosed)] = True
    kept = records.only(~blank)
    return Records(
        kept.data,
        kept.starts,
        kept.ends,
        kept.lines,
        kept.first_row,
        frozenset(np.flatnonzero(unclosed[~blank]).tolist()),
    )
