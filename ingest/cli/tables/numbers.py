"""The measured columns of records as numbers: a fast parse where all is well, a careful one where it is not.

The fast parse (pyarrow) is all or nothing: it serves a stretch only when every row has the right number of fields and
every number can be true. A stretch with trouble is halved until the trouble sits in a few rows, and those are read one
by one, which finds what is wrong with each. Both give the same numbers (a test holds them to each other).
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from adapters.contract import QUANTITIES
from ingest.cli.tables.layout import Layout
from ingest.cli.tables.records import Records
from ingest.physics.pointwise import FloatArray
from ingest.units import fahrenheit_from_celsius

_FEW: Final = 64  # rows: below this, reading one by one is as quick as halving
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
ELEVATION_RANGE_M: Final = (-500.0, 9000.0)  # dry land


class Column(NamedTuple):
    """A measured column.  field: which one in a row.  low, high: between which values it can be true, in `unit`."""

    name: str
    field: int
    low: float
    high: float
    unit: str


class Problem(NamedTuple):
    """A bad row.  row: counted from 1 below the header.  line: of the file, from 1.  why: a clause for people."""

    row: int
    line: int
    why: str


class Numbers(NamedTuple):
    """The measured columns of some records.

    values: float64 (columns, n), NaN in bad rows.  good: bool (n,).  problems: one for each row that is not good.
    """

    values: FloatArray
    good: NDArray[np.bool_]
    problems: tuple[Problem, ...]


def measured_columns(layout: Layout) -> tuple[Column, ...]:
    """Give the columns to be read: temperature, RH, and pressure or else elevation where the table has one."""
    temperature, rh, pressure = (QUANTITIES[name] for name in ("temperature_c", "rh_percent", "pressure_kpa"))
    low, high = temperature.minimum, temperature.maximum
    if layout.fahrenheit:
        low, high = fahrenheit_from_celsius(low), fahrenheit_from_celsius(high)
    columns = [
        Column("temperature_f" if layout.fahrenheit else "temperature_c", layout.temperature, low, high, "°F")
        if layout.fahrenheit
        else Column("temperature_c", layout.temperature, low, high, "°C"),
        Column("rh_percent", layout.rh, rh.minimum, HIGHEST_SAID_RH_PERCENT, "%"),
    ]
    if layout.pressure is not None:
        columns.append(Column("pressure_kpa", layout.pressure, pressure.minimum, pressure.maximum, "kPa"))
    elif layout.elevation is not None:
        columns.append(Column("elevation_m", layout.elevation, *ELEVATION_RANGE_M, "m"))
    return tuple(columns)


HIGHEST_SAID_RH_PERCENT: Final = 105.0
"""A sensor in saturated air says up to a few percent more than 100 (±3 % is usual; common practice): taken as 100."""


def looks_like_another_unit(column: str, lowest: float, highest: float) -> str:
    """Say that a whole column looks like another unit, in a sentence; nothing where it does not."""
    said = f"Every {column} lies between {lowest:g} and {highest:g}"
    if column == "temperature_c" and lowest >= 45.0:
        return f"{said}: if that is °F, call the column temperature_f."
    if column == "temperature_f" and lowest >= 5.0 and highest <= 32.0:
        return f"{said}: if that is °C, call the column temperature_c."
    if column == "rh_percent" and highest <= 1.0:
        return f"{said}: if these are shares of 1, multiply them by 100."
    return ""


class NumberReader:
    """Read the measured columns of one table, in order, and remember which decimal mark it uses."""

    def __init__(self, layout: Layout) -> None:
        self.columns = measured_columns(layout)
        self._layout = layout
        self._mark_seen: str | None = "." if layout.delimiter == "," else None
        self._spans: dict[str, tuple[float, float]] = {}
        self.clamped = 0  # rows of more than 100 % RH

    @property
    def decimal_mark(self) -> str:
        """The mark of the first number that showed one; a point until then."""
        return self._mark_seen or "."

    def read(self, records: Records) -> Numbers:
        """Read one record or more."""
        if self._mark_seen is None:
            self._mark_seen = self._look_for_mark(records)
        parts = list(self._parts(records))
        values = np.concatenate([part.values for part in parts], axis=1)
        good = np.concatenate([part.good for part in parts])
        self._look_at(values[:, good])
        return Numbers(values, good, tuple(problem for part in parts for problem in part.problems))

    def _at_most_saturated(self, values: FloatArray) -> FloatArray:
        """Take more than 100 % RH as 100, and count it."""
        rh = next(number for number, column in enumerate(self.columns) if column.name == "rh_percent")
        above = values[rh] > 100.0  # a NaN is not
        self.clamped += int(above.sum())
        values[rh, above] = 100.0
        return values

    def _look_at(self, values: FloatArray) -> None:
        """Remember between which ends each column lies."""
        if not values.shape[1]:
            return
        for column, numbers in zip(self.columns, values, strict=True):
            low, high = self._spans.get(column.name, (float("inf"), float("-inf")))
            self._spans[column.name] = min(low, float(numbers.min())), max(high, float(numbers.max()))

    def notes(self) -> list[str]:
        """Say at the end what is worth a second look in the table as a whole."""
        said = [found for name, span in self._spans.items() if (found := looks_like_another_unit(name, *span))]
        if self.clamped:
            rows = "row has" if self.clamped == 1 else "rows have"
            said.append(f"{self.clamped} {rows} more than 100 % RH, as sensors say in saturated air: taken as 100.")
        return said

    def read_one_by_one(self, records: Records) -> Numbers:
        """Read with care, row by row: slow, and exact about what is wrong."""
        values = np.full((len(self.columns), len(records)), np.nan)
        problems = []
        for i, record in enumerate(records):
            result = self._row(record, unclosed=i in records.unclosed)
            if isinstance(result, str):
                problems.append(Problem(records.first_row + i, int(records.lines[i]), result))
            else:
                values[:, i] = result
        return Numbers(self._at_most_saturated(values), ~np.isnan(values[0]), tuple(problems))

    def _parts(self, records: Records) -> Iterator[Numbers]:
        values = self._fast(records)
        if values is not None:
            yield Numbers(self._at_most_saturated(values), np.ones(len(records), np.bool_), ())
        elif len(records) <= _FEW:
            yield self.read_one_by_one(records)
        else:
            middle = len(records) // 2
            yield from self._parts(records.part(0, middle))
            yield from self._parts(records.part(middle, len(records)))

    def _fast(self, records: Records) -> FloatArray | None:
        """Give float64 (columns, n), or None unless every one of the records is beyond doubt."""
        data = records.data
        if records.unclosed or b"\0" in data or (b"\r" in data and data.count(b"\r") != data.count(b"\r\n")):
            return None
        try:
            table = self._arrow_table(data)
        except pa.ArrowInvalid:
            return None
        if len(table) != len(records):
            return None
        values = np.array([_floats(table[column.name]) for column in self.columns])
        for column, numbers in zip(self.columns, values, strict=True):
            if not (column.low <= numbers.min() and numbers.max() <= column.high):  # a NaN fails both
                return None
        return values

    def _arrow_table(self, data: bytes) -> pa.Table:
        names = [f"field {i}" for i in range(self._layout.fields)]
        for column in self.columns:
            names[column.field] = column.name
        wanted = [column.name for column in self.columns]
        return pa_csv.read_csv(
            pa.BufferReader(data),
            read_options=pa_csv.ReadOptions(column_names=names, use_threads=False, block_size=len(data) + 1),
            parse_options=pa_csv.ParseOptions(delimiter=self._layout.delimiter, newlines_in_values=b'"' in data),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(wanted, pa.float64()),
                include_columns=wanted,
                null_values=[],  # an empty field is trouble, to be told
                decimal_point=self.decimal_mark,
            ),
        )

    def _row(self, record: bytes, *, unclosed: bool) -> list[float] | str:
        if unclosed:
            return "a quotation mark is opened and never closed"
        if b"\0" in record:
            return "a NUL byte stands in it, which is no text"
        fields = self._fields(record)
        if fields is None:
            return "a carriage return stands in the middle of it"
        if len(fields) != self._layout.fields:
            return f"{len(fields)} field{'s' * (len(fields) != 1)} where the header has {self._layout.fields}"
        numbers = []
        for column in self.columns:
            number = self._number(fields[column.field], column)
            if isinstance(number, str):
                return number
            numbers.append(number)
        return numbers

    def _fields(self, record: bytes) -> list[str] | None:
        # Latin-1 gives every byte a character, so that the encoding of other columns does not matter here.
        try:
            return next(csv.reader([record.decode("latin-1")], delimiter=self._layout.delimiter))
        except csv.Error:
            return None

    def _number(self, field: str, column: Column) -> float | str:
        text = field.strip(" \t")
        if not text:
            return f"{column.name} is empty"
        if self._layout.delimiter != "," and text.count(",") == 1 and "." not in text:
            text = text.replace(",", ".")
        if not _NUMBER.fullmatch(text):
            return f"{column.name} is {shown(field)}, which is not a number"
        number = float(text)
        if not column.low <= number <= column.high:
            return (
                f"{column.name} is {shown(text, quotes=False)}, outside {column.low:g} to {column.high:g} {column.unit}"
            )
        return number

    def _look_for_mark(self, records: Records) -> str | None:
        """Give the decimal mark of the first measured number that shows one, None where none does yet."""
        for record in records:
            for text in self._measured_fields(record):
                if ("," in text) != ("." in text):
                    return "," if "," in text else "."
        return None

    def _measured_fields(self, record: bytes) -> Sequence[str]:
        fields = self._fields(record) or []
        return [fields[column.field] for column in self.columns if column.field < len(fields)]


def _floats(column: pa.ChunkedArray) -> FloatArray:
    """Give a column of numbers, none of them null.  Its own to_numpy would import pandas where there is one: 0.2 s."""
    array = column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)
    return np.frombuffer(array.buffers()[1], np.float64, len(array), array.offset * 8)


def shown(text: str, *, quotes: bool = True) -> str:
    """Give foreign text fit for a terminal: cut short, nothing in it that is not printable."""
    cut = "".join(c if c.isprintable() else "?" for c in text[:40]) + ("…" if len(text) > 40 else "")
    return f'"{cut}"' if quotes else cut
