"""Recorded readings from CSV, row by row: text lines in, readings and rejections out. Pure.

The first row names the columns. One of them is the time: `time` (ISO 8601, with an offset, or without one where the
form says which zone is meant) or `at_ms` (milliseconds since 1970, UTC). `sensor` may name the sensor per row. The
others are quantities by their names in `adapters.contract.QUANTITIES`, or one of `COLUMNS` in another unit. Columns
that are none of these are passed over. An empty cell is a gap, not a value, and so is NaN.
"""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import re
import zoneinfo
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

_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MICROSECOND: Final = dt.timedelta(microseconds=1)
_LATEST_MS: Final = 253_402_300_799_999  # the end of the year 9999
_OFFSET: Final = re.compile(r"([+-])(\d\d):?(\d\d)", re.ASCII)


@dataclass(frozen=True, slots=True)
class CsvForm:
    """How a file is to be understood where its own header does not say.

    columns: header in the file -> our name for it ("time", "at_ms", "sensor" or a name in `COLUMNS`).
    sensor: the sensor of rows that name none.  zone: of times without an offset; None = they are refused.
    time_format: how times are written where it is not ISO 8601, as `datetime.strptime` has it ("%d.%m.%Y %H:%M").
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    sensor: str | None = None
    zone: dt.tzinfo | None = None
    time_format: str | None = None


class Row(NamedTuple):
    """What one row held.  number: as a spreadsheet counts, the header being row 1."""

    number: int
    readings: list[Reading]
    rejections: list[Rejection]


def zone_named(text: str) -> dt.tzinfo:
    """Give the time zone of an IANA name ("Europe/Helsinki") or an offset from UTC ("+02:00").

    Raises SettingsError when it is neither.
    """
    offset = _OFFSET.fullmatch(text)
    if offset and int(offset[2]) < 24 and int(offset[3]) < 60:
        sign = -1 if offset[1] == "-" else 1
        return dt.timezone(sign * dt.timedelta(hours=int(offset[2]), minutes=int(offset[3])))
    try:
        return zoneinfo.ZoneInfo(text)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError) as error:
        raise SettingsError(
            f"{text!r} is no time zone", where="zone", mend='Give a name as "Europe/Helsinki" or an offset as "+02:00"'
        ) from error


@dataclass(frozen=True, slots=True)
class _Layout:
    """Which column is what; each column by its place and its name in the file."""

    time: int
    time_is_ms: bool
    sensor: int | None
    quantities: tuple[tuple[int, str, Column], ...]
    decimal_comma: bool


def read_rows(lines: Iterable[str], form: CsvForm) -> Iterator[Row]:
    """Read rows as they come; one row at a time is held.

    Fields are separated by comma, semicolon or tab, whichever the first line has most of; where it is not the comma,
    a comma in a number is its decimal sign. The header may come again (files that were put together). A row that cannot
    be read gives rejections whose detail names its number, and reading goes on with the next.
    Raises ProtocolError or SettingsError when header and form together do not say what is needed.
    """
    rest = iter(lines)
    first = next(rest, "").removeprefix("\ufeff")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(itertools.chain([first], rest), delimiter=delimiter, skipinitialspace=True)
    numbered = _numbered(reader)
    _, header = next(numbered, (1, []))
    layout = _layout([] if isinstance(header, str) else header, form, decimal_comma=delimiter != ",")
    times = _Times(form.zone, form.time_format)
    for number, cells in numbered:
        if cells == header:
            continue
        if isinstance(cells, str):
            yield Row(number, [], [rejection(Why.ROW, f"row {number}: {cells}")])
        elif any(cell.strip() for cell in cells):
            yield _row(number, cells, layout, form.sensor, times)


def _numbered(reader: Iterator[list[str]]) -> Iterator[tuple[int, list[str] | str]]:
    """Number the rows from 1; a row on which the CSV reader fails is given as what it says."""
    for number in itertools.count(1):
        try:
            yield number, next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield number, str(error)


def _layout(header: list[str], form: CsvForm, *, decimal_comma: bool) -> _Layout:
    names = [name.strip().lstrip("\ufeff") for name in header]
    _check_map(names, form.columns)
    ours = [form.columns.get(name, name) for name in names]
    place: dict[str, int] = {}
    for index, name in enumerate(ours):
        if place.setdefault(name, index) != index and (name in COLUMNS or name in _OTHERS):
            raise _header_error(f"two columns are {name}", names)
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
    return _Layout(place["at_ms" if time_is_ms else "time"], time_is_ms, place.get("sensor"), quantities, decimal_comma)


_OTHERS: Final = ("time", "at_ms", "sensor")


def _check_map(names: list[str], columns: Mapping[str, str]) -> None:
    for theirs, ours in columns.items():
        if ours not in COLUMNS and ours not in _OTHERS:
            raise SettingsError(
                f"{ours!r}, to which the column {theirs!r} is mapped, is nothing that we know",
                where="columns",
                mend=f"Use one of: {', '.join((*_OTHERS, *COLUMNS))}",
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


def _row(number: int, cells: list[str], layout: _Layout, sensor: str | None, times: _Times) -> Row:
    row = Row(number, [], [])
    if layout.sensor is not None and layout.sensor < len(cells):
        sensor = cells[layout.sensor].strip() or sensor
    if not sensor or not SENSOR_ID.fullmatch(sensor):
        why = Why.NAME if sensor else Why.NO_SENSOR
        row.rejections.append(rejection(why, f"row {number}: sensor {sensor!r}"))
        return row
    text = cells[layout.time].strip() if layout.time < len(cells) else ""
    at_ms = _plain_ms(text) if layout.time_is_ms else times.instant_ms(sensor, text)
    if at_ms is None:
        row.rejections.append(rejection(Why.TIME, f"row {number}: time {text!r}", sensor))
        return row
    for index, name, column in layout.quantities:
        cell = cells[index].strip() if index < len(cells) else ""
        if cell.lower() in GAPS:
            continue
        value = value_of(cell.replace(",", ".") if layout.decimal_comma else cell, column)
        if isinstance(value, Why):
            row.rejections.append(rejection(value, f"row {number}: {name} {cell!r}", sensor))
        else:
            row.readings.append(Reading(sensor, column.quantity, value, at_ms, Stamp.SENSOR))
    return row


def _plain_ms(text: str) -> int | None:
    if not (text.isascii() and text.isdigit() and len(text) <= 15):
        return None
    return int(text) if int(text) <= _LATEST_MS else None


class _Times:
    """Reads times. Where clocks were set back an hour comes twice: of a sensor's rows in order, each is told apart."""

    def __init__(self, zone: dt.tzinfo | None, time_format: str | None) -> None:
        self._zone = zone
        self._format = time_format
        self._last: dict[str, int] = {}

    def instant_ms(self, sensor: str, text: str) -> int | None:
        """Give the instant (UTC ms), or None where there is none or no offset and no zone say which."""
        try:
            # Naive where there is no offset: the zone is added below, where the hour that comes twice is told apart.
            time = (
                dt.datetime.strptime(text, self._format)  # noqa: DTZ007
                if self._format
                else dt.datetime.fromisoformat(text)
            )
        except ValueError:
            return None
        at_ms = _ms(time) if time.tzinfo is not None else self._in_zone(sensor, time)
        if at_ms is None or not 0 <= at_ms <= _LATEST_MS:
            return None
        self._last[sensor] = at_ms
        return at_ms

    def _in_zone(self, sensor: str, naive: dt.datetime) -> int | None:
        if self._zone is None:
            return None
        first = naive.replace(tzinfo=self._zone)
        second = first.replace(fold=1)
        before, after = first.utcoffset(), second.utcoffset()
        if before is None or after is None or before < after:
            return None  # clocks were set forward over this time: it never was
        if before > after and _ms(first) < self._last.get(sensor, 0):
            return _ms(second)
        return _ms(first)


def _ms(time: dt.datetime) -> int:
    return ((time - _EPOCH) // _MICROSECOND + 500) // 1000
