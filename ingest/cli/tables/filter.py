"""The whole filter: a table in, the same table with derived columns out, bad rows told and left out."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

from ingest.cli.tables.appending import appended
from ingest.cli.tables.blocks import ByteSource, blocks
from ingest.cli.tables.history import MouldHistory, gaps_in_words
from ingest.cli.tables.layout import Layout, read_layout
from ingest.cli.tables.numbers import NumberReader, Numbers, Problem
from ingest.cli.tables.outputs import NOTHING_MORE, More, outputs
from ingest.cli.tables.records import MAX_RECORD, Records, RecordSplitter
from ingest.errors import InputError
from ingest.physics.air import STANDARD_PRESSURE_KPA, pressure_from_elevation_kpa
from ingest.physics.pointwise import FloatArray
from ingest.units import celsius_from_fahrenheit


class ByteSink(Protocol):
    """What bytes are written to."""

    def write(self, data: memoryview | bytes, /) -> int:
        """Take as much of `data` as it can, and give how much that was."""
        ...

    def flush(self) -> None:
        """Let everything written so far be seen."""
        ...


@dataclass(slots=True)
class Tally:
    """How many rows came, and how many of them were bad.  notes: what is to be said at the end, each a sentence."""

    rows: int = 0
    bad: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is wanted of a table.

    us_units: US columns too.  pressure_kpa: of every row, where no column tells it.  more: further columns.
    """

    us_units: bool = False
    pressure_kpa: float | None = None
    more: More = NOTHING_MORE


def derive_table(
    source: ByteSource, sink: ByteSink, tell: Callable[[Problem], None], wanted: Wanted, *, name: str
) -> Tally:
    """Read a table from `source` and write it to `sink` with the derived columns, as the rows come.

    tell: called with each bad row, in order; such a row is left out.  name: of the input, for messages.
    Raises InputError when it is no table, or its header will not do; what was written until then is sound.
    """
    incoming = blocks(source)
    header, rest, lines = _first_line(incoming, name)
    layout = read_layout(header, name=name, us_units=wanted.us_units, more=wanted.more)
    _refuse_pressure_twice(layout, wanted, name)
    _write(sink, layout.heading())
    splitter = RecordSplitter(layout.delimiter.encode(), line=lines + 1, name=name)
    tally, reader = Tally(), NumberReader(layout)
    history = MouldHistory(layout, wanted.more.mould) if wanted.more.mould else None
    for records in _records(itertools.chain([rest], incoming), splitter):
        numbers = reader.read(records)
        if history is not None:
            numbers = _with_times(numbers, history.follow(records, numbers.good))
        for problem in numbers.problems:
            tell(problem)
        tally.rows += len(records)
        tally.bad += len(numbers.problems)
        _write(sink, _derived(records, numbers, reader.decimal_mark, layout, wanted, history))
    tally.notes = tuple(reader.notes())
    if history is not None and wanted.more.mould is not None:
        tally.notes += tuple(gaps_in_words(history, wanted.more.mould.longest_gap_hours))
    return tally


def _with_times(numbers: Numbers, problems: tuple[Problem, ...]) -> Numbers:
    """Add the rows that are bad for their time to those that are bad for their numbers."""
    return numbers._replace(problems=tuple(sorted((*numbers.problems, *problems)))) if problems else numbers


def _write(sink: ByteSink, data: bytes) -> None:
    rest = memoryview(data)
    while rest:  # standard output of an unbuffered Python takes a part at a time
        rest = rest[sink.write(rest) :]
    sink.flush()


def _first_line(incoming: Iterator[bytes], name: str) -> tuple[bytes, bytes, int]:
    """Give the header line, what was read behind it, and how many lines the two (blank ones before it) took."""
    data = b""
    for block in incoming:
        data += block
        blank = len(data) - len(data.lstrip(b"\r\n"))
        end = data.find(b"\n", blank) + 1
        if end:
            return data[blank:end], data[end:], data.count(b"\n", 0, end)
        if len(data) > MAX_RECORD:
            break
    if not data.strip():
        raise InputError("nothing came in", where=name, mend="It wants a CSV table with a header line; see --help.")
    return data.lstrip(b"\r\n"), b"", 1


def _records(incoming: Iterable[bytes], splitter: RecordSplitter) -> Iterator[Records]:
    for block in incoming:
        if (records := splitter.feed(block)) is not None:
            yield records
    if (records := splitter.finish()) is not None:
        yield records


def _derived(
    records: Records,
    numbers: Numbers,
    decimal_mark: str,
    layout: Layout,
    wanted: Wanted,
    history: MouldHistory | None,
) -> bytes:
    """Give the good ones of these records with their derived columns."""
    values = numbers.values
    if numbers.problems:
        if not numbers.good.any():
            return b""
        records, values = records.only(numbers.good), values[:, numbers.good]
    temperature_c, rh_percent, pressure_kpa = _si(values, layout, wanted)
    derived = outputs(temperature_c, rh_percent, pressure_kpa, us_units=wanted.us_units, more=wanted.more)
    if history is not None:
        derived |= history.columns(temperature_c, rh_percent)
    columns = [derived[name] for name in layout.outputs]
    return appended(records, columns, delimiter=layout.delimiter, decimal_mark=decimal_mark, eol=layout.eol)


def _si(values: FloatArray, layout: Layout, wanted: Wanted) -> tuple[FloatArray, FloatArray, FloatArray | float]:
    """Give temperature [°C], RH [%] and pressure [kPa] from the measured columns."""
    temperature_c = celsius_from_fahrenheit(values[0]) if layout.fahrenheit else values[0]
    if layout.pressure is not None:
        return temperature_c, values[1], values[2]
    if layout.elevation is not None:
        return temperature_c, values[1], pressure_from_elevation_kpa(values[2])
    return temperature_c, values[1], wanted.pressure_kpa or STANDARD_PRESSURE_KPA


def _refuse_pressure_twice(layout: Layout, wanted: Wanted, name: str) -> None:
    if wanted.pressure_kpa is not None and (layout.pressure is not None or layout.elevation is not None):
        raise InputError(
            "the table has a column for the air pressure or the elevation",
            where=name,
            mend="Leave out --pressure and --elevation, or that column.",
        )
