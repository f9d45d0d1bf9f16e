"""Recorded readings from CSV, row by row: text lines in, readings and rejections out. Pure.

The header row names the columns. One of them is the time: `time` (ISO 8601, with an offset, or without one where the
form says which zone is meant) or `at_ms` (milliseconds since 1970, UTC); where the form maps a column to `date`, `time`
is the clock time that belongs to it. `sensor` may name the sensor per row. The others are quantities by their names in
`adapters.contract.QUANTITIES`, or one of `COLUMNS` in another unit. Columns that are none of these are passed over. An
empty cell is a gap, not a value, and so is NaN.

This is the one reader of recorded CSV: replay, the watched folder and `lumberroom import` all come through here.
"""

from __future__ import annotations

import csv
import datetime as dt
import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from adapters.contract import (
    SENSOR_ID,
    ProtocolError,
    Reading,
    Rejection,
    SettingsError,
    Stamp,
    Why,
    rejection,
)
from adapters.framing.columns import COLUMNS, GAPS, Column, value_of
from adapters.framing.times import Instant, Times, UnclearTimeError, plain_ms

DECIMALS: Final = ("auto", "point", "comma")
"""auto: a comma is the decimal sign where fields are not separated by it."""
_OTHERS: Final = ("time", "at_ms", "sensor")
MAPPABLE: Final = (*_OTHERS, "date", *COLUMNS)
"""What a column may be mapped to."""


@dataclass(frozen=True, slots=True)
class CsvForm:
    """How a file is to be understood where its own header does not say.

    columns: header in the file -> our name for it (one of `MAPPABLE`).
    sensor: the sensor of rows that name none.  zone: of times without an offset; None = they are refused.
    time_format: how times are written where it is not ISO 8601, as `datetime.strptime` has it ("%d.%m.%Y %H:%M"), or
    one of `times.UNIX`; with a `date` column, of date and time with a space between.  decimal: one of `DECIMALS`.
    header_row: which row holds the header (from 1); those before it are passed over.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    sensor: str | None = None
    zone: dt.tzinfo | None = None
    time_format: str | None = None
    decimal: str = "auto"
    header_row: int = 1


class Row(NamedTuple):
    """What one row held.  number: as a spreadsheet counts.  doubled: as of its `Instant`."""

    number: int
    readings: list[Reading]
    rejections: list[Rejection]
    doubled: bool = False


def text_of(line: bytes) -> str:
    """Give a line's text: UTF-8, or else the Western code page that older programs write (Windows-1252)."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace")


@dataclass(frozen=True, slots=True)
class _Layout:
    """Which column is what; each column by its place and its name in the file."""

    time: int
    date: int | None
    time_is_ms: bool
    sensor: int | None
    quantities: tuple[tuple[int, str, Column], ...]
    decimal_comma: bool


def read_rows(lines: Iterable[str], form: CsvForm) -> Iterator[Row]:
    """Read rows as they come; one row at a time is held.

    Fields are separated by comma, semicolon or tab, whichever the header line has most of; where it is not the comma,
    a comma in a number is its decimal sign. The header may come again (files that were put together). A row that cannot
    be read gives rejections whose detail names its number, and reading goes on with the next.
    Raises ProtocolError or SettingsError when header and form together do not say what is needed.
    """
    rest = iter(lines)
    for _ in itertools.islice(rest, form.header_row - 1):
        pass  # what a logger says of itself before its table
    first = next(rest, "").removeprefix("\ufeff")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(itertools.chain([first], rest), delimiter=delimiter, skipinitialspace=True)
    numbered = _numbered(reader, form.header_row)
    _, header = next(numbered, (1, []))
    comma = form.decimal == "comma" or (form.decimal == "auto" and delimiter != ",")
    layout = _layout([] if isinstance(header, str) else header, form, decimal_comma=comma)
    times = Times(form.zone, form.time_format)
    for number, cells in numbered:
        if cells == header:
            continue
        if isinstance(cells, str):
            yield Row(number, [], [rejection(Why.ROW, f"row {number}: {cells}")])
        elif any(cell.strip() for cell in cells):
            yield _row(number, cells, layout, form.sensor, times)


def _numbered(reader: Iterator[list[str]], first: int) -> Iterator[tuple[int, list[str] | str]]:
    """Number the rows from `first`; a row on which the CSV reader fails is given as what it says."""
    for number in itertools.count(first):
        try:
            yield number, next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield number, str(error)


def _layout(header: list[str], form: CsvForm, *, decimal_comma: bool) -> _Layout:
    names = [name.strip().lstrip("\ufeff") for name in header]
    _check_map(names, form.columns)
    place = _places(names, form.columns)
    quantities = tuple((place[name], names[place[name]], column) for name, column in COLUMNS.items() if name in place)
    given = [column.quantity for _, _, column in quantities]
    if len(set(given)) < len(given):
        raise _header_error("two columns give the same quantity", names)
    if "time" not in place and "at_ms" not in place:
        raise _header_error("no column gives the time", names)
    if not quantities:
        raise _header_error("no column gives a quantity", names)
    if "sensor" not in place and form.sensor is None:
        raise _header_error("neither a column nor the settings name the sensor", names)
    time_is_ms = "at_ms" in place
    # A column that is only called "date" may stand beside one that has both: it takes a map to make it half of a time.
    date = place.get("date") if "date" in form.columns.values() else None
    time = place["at_ms" if time_is_ms else "time"]
    return _Layout(time, date, time_is_ms, place.get("sensor"), quantities, decimal_comma)


def _places(names: list[str], columns: Mapping[str, str]) -> dict[str, int]:
    """Give where each column stands, by our name for it. A column that is mapped has its own name no more."""
    place: dict[str, int] = {}
    mapped = set(columns.values())
    for index, theirs in enumerate(names):
        name = columns.get(theirs, theirs)
        if name in mapped and theirs not in columns:
            continue  # the map says that another column is meant
        if place.setdefault(name, index) != index and name in MAPPABLE:
            raise _header_error(f"two columns are {name}", names)
    return place


def _check_map(names: list[str], columns: Mapping[str, str]) -> None:
    for theirs, ours in columns.items():
        if ours not in MAPPABLE:
            raise SettingsError(
                f"{ours!r}, to which the column {theirs!r} is mapped, is nothing that we know",
                where="columns",
                mend=f"Use one of: {', '.join(MAPPABLE)}",
            )
        if theirs not in names:
            raise _header_error(f"there is no column {theirs!r}, which the column map names", names)


def _header_error(what: str, names: list[str]) -> ProtocolError:
    shown = ", ".join(ascii(name[:40]) for name in names[:20]) or "none"
    return ProtocolError(
        what,
        where="row 1",
        mend=f"The columns are {shown}; say by the column map which are time, sensor and quantities, "
        'as columns = { "their name" = "temperature_c" }',
    )


def _row(number: int, cells: list[str], layout: _Layout, sensor: str | None, times: Times) -> Row:
    if layout.sensor is not None and layout.sensor < len(cells):
        sensor = cells[layout.sensor].strip() or sensor
    if not sensor or not SENSOR_ID.fullmatch(sensor):
        why = Why.NAME if sensor else Why.NO_SENSOR
        return Row(number, [], [rejection(why, f"row {number}: sensor {sensor!r}")])
    text = _time_text(cells, layout)
    try:
        instant = _instant(text, sensor, cells, layout, times)
    except UnclearTimeError as error:
        told = f": {error}" if str(error) else ""
        return Row(number, [], [rejection(Why.TIME, f"row {number}: time {text!r}{told}", sensor)])
    row = Row(number, [], [], instant.doubled)
    for index, name, column in layout.quantities:
        cell = _cell(cells, index)
        if cell.lower() in GAPS:
            continue
        value = value_of(cell.replace(",", ".") if layout.decimal_comma else cell, column)
        if isinstance(value, Why):
            row.rejections.append(rejection(value, f"row {number}: {name} {cell!r}", sensor))
        else:
            row.readings.append(Reading(sensor, column.quantity, value, instant.at_ms, Stamp.SENSOR))
    return row


def _time_text(cells: list[str], layout: _Layout) -> str:
    text = _cell(cells, layout.time)
    return text if layout.date is None else f"{_cell(cells, layout.date)} {text}"


def _cell(cells: list[str], index: int) -> str:
    return cells[index].strip() if index < len(cells) else ""


def _instant(text: str, sensor: str, cells: list[str], layout: _Layout, times: Times) -> Instant:
    if not layout.time_is_ms:
        return times.instant(sensor, text, lambda: tuple(bool(_cell(cells, n)) for n, _, _ in layout.quantities))
    at_ms = plain_ms(text)
    if at_ms is None:
        raise UnclearTimeError("")
    return Instant(at_ms)
