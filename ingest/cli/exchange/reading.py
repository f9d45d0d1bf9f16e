"""Files into readings: the four formats that export writes, and recorded CSV from elsewhere by a map of its columns.

Each reader gives portions: readings, and what could not be understood, with where it stands and why. Nothing is judged
here but what a column or a pack means; whether a value can be true is for `storing`.
"""

from __future__ import annotations

import datetime as dt
import itertools
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

from adapters.contract import AdapterError, Reading, Stamp
from adapters.framing import senml
from adapters.framing.columns import COLUMNS
from adapters.framing.csv_rows import CsvForm, Row, read_rows
from ingest.cli.exchange.instants import UnclearInstantError, recorded_ms
from ingest.errors import InputError

ROWS_AT_ONCE: Final = 5_000
_COLUMNS_MEND: Final = (
    "Say which columns are what with --column time=… --column temperature_c=…, "
    "and whose readings they are with --sensor."
)
_MAX_LINE: Final = 1 << 20


class Trouble(NamedTuple):
    """Something in a file that is no reading.  where: "line 12".  why: in few words, so that it can be counted."""

    where: str
    why: str
    detail: str = ""


@dataclass(slots=True)
class Portion:
    """A part of a file: its readings, each with the place where it stands, and its troubles."""

    readings: list[Reading] = field(default_factory=list)
    where: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Meaning:
    """How a file's columns are meant.

    columns: our name (time, sensor, or one in `adapters.framing.columns.COLUMNS`) -> the file's column, where they
    differ.  sensor: of
    rows that name none.  zone: in which times without an offset are meant.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    sensor: str | None = None
    zone: dt.tzinfo = dt.UTC


def read_csv(path: Path, meaning: Meaning) -> Iterator[Portion]:
    """Read a CSV file with a header line (see `adapters.framing.csv_rows`).

    Raises InputError when its header and `meaning` together do not say what is needed.
    """
    form = CsvForm({theirs: ours for ours, theirs in meaning.columns.items()}, meaning.sensor, meaning.zone)
    with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        rows = read_rows(iter(lambda: file.readline(_MAX_LINE), ""), form)
        try:
            while some := list(itertools.islice(rows, ROWS_AT_ONCE)):
                yield _portion_of_rows(some)
        except AdapterError as error:
            # The error's own mend tells the columns, then how to map them in a wiring file; here it is an option.
            found = error.mend.partition("; say by")[0]
            raise InputError(error.what, where=f"{path}, {error.where}", mend=f"{found}. {_COLUMNS_MEND}") from error


def _portion_of_rows(rows: list[Row]) -> Portion:
    portion = Portion()
    for row in rows:
        where = f"row {row.number}"
        portion.readings += row.readings
        portion.where += [where] * len(row.readings)
        portion.troubles += [
            Trouble(where, rejection.reason, rejection.detail.removeprefix(f"{where}: "))
            for rejection in row.rejections
        ]
    return portion


def read_jsonl(path: Path, meaning: Meaning) -> Iterator[Portion]:
    """Read a file of JSON objects, one a line."""
    with path.open("rb") as file:
        numbered = ((f"line {n}", line) for n, line in enumerate(_lines(file), 1) if line.strip())
        # Every object may have its own keys; a decoder that knows no header takes them as they come.
        yield from _portions(numbered, _object, _RowDecoder(None, meaning, str(path)))


def read_senml(path: Path, meaning: Meaning) -> Iterator[Portion]:
    """Read a file of SenML packs, one a line. A record that says no instant is trouble: it is not from now."""
    with path.open("rb") as file:
        for number, line in enumerate(_lines(file), 1):
            if not line.strip():
                continue
            decoded = senml.decode_pack(line, 0, default_sensor=meaning.sensor)
            where = f"line {number}"
            timed = [reading for reading in decoded.readings if reading.stamp is Stamp.SENSOR]
            troubles = [Trouble(where, rejection.reason) for rejection in decoded.rejections]
            troubles += [Trouble(where, "no instant")] * (len(decoded.readings) - len(timed))
            yield Portion(timed, [where] * len(timed), troubles)


def read_parquet(path: Path, meaning: Meaning) -> Iterator[Portion]:
    """Read a Parquet file with the columns of the other formats; time may be a timestamp or a text."""
    import pyarrow as pa
    import pyarrow.parquet

    try:
        with pa.parquet.ParquetFile(path) as file:
            header = list(file.schema_arrow.names)
            decode = _RowDecoder(header, meaning, str(path))
            rows = itertools.chain.from_iterable(batch.to_pylist() for batch in file.iter_batches(ROWS_AT_ONCE))
            yield from _portions(((f"row {n}", row) for n, row in enumerate(rows, 1)), lambda row: row, decode)
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(
            "this is not a whole Parquet file", where=str(path), mend="Export it anew, or check the copy."
        ) from error


READERS: Final[Mapping[str, Callable[[Path, Meaning], Iterator[Portion]]]] = {
    "csv": read_csv,
    "jsonl": read_jsonl,
    "senml": read_senml,
    "parquet": read_parquet,
}


class _RowDecoder:
    """Turns one row, by column name, into readings."""

    def __init__(self, header: list[str] | None, meaning: Meaning, name: str) -> None:
        self._meaning = meaning
        self._time = meaning.columns.get("time", "time")
        self._sensor = meaning.columns.get("sensor", "sensor")
        self._quantities = {ours: meaning.columns.get(ours, ours) for ours in COLUMNS}
        if header is not None:
            self._refuse_missing(header, name)

    def readings(self, row: Mapping[str, Any]) -> tuple[list[Reading], list[str]]:
        """Give what a row says, and what of it is wrong."""
        sensor = row.get(self._sensor) or self._meaning.sensor
        if not isinstance(sensor, str) or not sensor:
            return [], ["no sensor"]
        try:
            at_ms = recorded_ms(row.get(self._time), self._meaning.zone)
        except UnclearInstantError as error:
            return [], [str(error)]
        found, wrong = [], []
        for ours, column in self._quantities.items():
            value = row.get(column)
            if value is None or value == "":
                continue
            number = _number(value)
            if number is None:
                wrong.append(f"{column} is not a number")
            else:
                meant = COLUMNS[ours]
                found.append(Reading(sensor, meant.quantity, meant.convert(number), at_ms, Stamp.SENSOR))
        return found, wrong

    def _refuse_missing(self, header: list[str], name: str) -> None:
        lacking = [ours for ours, column in self._meaning.columns.items() if column not in header]
        missing = [self._meaning.columns[ours] for ours in lacking]
        if self._time not in header:
            missing.append(self._time)
        if self._sensor not in header and self._meaning.sensor is None:
            missing.append(self._sensor)
        told = [column for column in self._quantities.values() if column in header]
        if missing or not told:
            what = f"no column {missing[0]}" if missing else "no column of a quantity"
            found = ", ".join(column[:40] for column in header[:20]) or "none"
            raise InputError(f"{what}; found {found}", where=name, mend=_COLUMNS_MEND)


def _portions(
    rows: Iterable[tuple[str, Any]], named: Callable[[Any], Mapping[str, Any] | str], decode: _RowDecoder
) -> Iterator[Portion]:
    """Decode rows and give them in portions of bounded size."""
    iterator = iter(rows)
    while some := list(itertools.islice(iterator, ROWS_AT_ONCE)):
        portion = Portion()
        for where, raw in some:
            row = named(raw)
            readings, wrong = ([], [row]) if isinstance(row, str) else decode.readings(row)
            portion.readings += readings
            portion.where += [where] * len(readings)
            portion.troubles += [Trouble(where, why) for why in wrong]
        yield portion


def _object(line: bytes) -> Mapping[str, Any] | str:
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        return "no JSON"
    return row if isinstance(row, dict) else "no JSON object"


def _number(value: Any) -> float | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        try:
            return float(value)
        except OverflowError:
            return None
    if not isinstance(value, str) or "_" in value:
        return None
    try:
        return float(value)
    except ValueError:
        return None


def _lines(file: Any) -> Iterator[bytes]:
    while line := file.readline(_MAX_LINE):
        yield line
