"""Files into readings: the four formats that export writes, and recorded CSV from elsewhere by a map of its columns.

Each reader gives portions: readings, and what could not be understood, with where it stands and why. Nothing is judged
here but what a column or a pack means; whether a value can be true is for `storing`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

from adapters.contract import AdapterError, Reading, Stamp, Why
from adapters.framing import senml
from adapters.framing.csv_rows import CsvForm, Row, read_rows, text_of
from adapters.framing.named_rows import NamedRows, object_of
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
    """A part of a file: its readings, each with the place where it stands, and its troubles.

    doubled: rows whose time stands twice on the clocks, and was told by the order of the rows.
    """

    readings: list[Reading] = field(default_factory=list)
    where: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    doubled: int = 0


def read_csv(path: Path, form: CsvForm) -> Iterator[Portion]:
    """Read a CSV file by the reader that adapters use (`adapters.framing.csv_rows`).

    Raises InputError when its header and `form` together do not say what is needed.
    """
    with path.open("rb") as file:
        rows = read_rows(map(text_of, _lines(file)), form)
        try:
            while some := list(itertools.islice(rows, ROWS_AT_ONCE)):
                yield _portion_of_rows(some)
        except AdapterError as error:
            # The error's own mend tells the columns, then how to map them in a settings file; here it is an option.
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
        portion.doubled += row.doubled
    return portion


def read_jsonl(path: Path, form: CsvForm) -> Iterator[Portion]:
    """Read a file of JSON objects, one a line."""
    with path.open("rb") as file:
        numbered = ((n, f"line {n}", line) for n, line in enumerate(_lines(file), 1) if line.strip())
        # Every object may have its own keys; a decoder that knows no header takes them as they come.
        yield from _portions(numbered, object_of, _RowDecoder(None, form, str(path)))


def read_senml(path: Path, form: CsvForm) -> Iterator[Portion]:
    """Read a file of SenML packs, one a line. A record that says no instant is trouble: it is not from now."""
    with path.open("rb") as file:
        for number, line in enumerate(_lines(file), 1):
            if not line.strip():
                continue
            decoded = senml.decode_pack(line, 0, default_sensor=form.sensor)
            where = f"line {number}"
            timed = [reading for reading in decoded.readings if reading.stamp is Stamp.SENSOR]
            troubles = [Trouble(where, rejection.reason) for rejection in decoded.rejections]
            troubles += [Trouble(where, "no instant")] * (len(decoded.readings) - len(timed))
            yield Portion(timed, [where] * len(timed), troubles)


def read_parquet(path: Path, form: CsvForm) -> Iterator[Portion]:
    """Read a Parquet file with the columns of the other formats; time may be a timestamp or a text."""
    import pyarrow as pa
    import pyarrow.parquet

    try:
        with pa.parquet.ParquetFile(path) as file:
            header = list(file.schema_arrow.names)
            decode = _RowDecoder(header, form, str(path))
            rows = itertools.chain.from_iterable(batch.to_pylist() for batch in file.iter_batches(ROWS_AT_ONCE))
            yield from _portions(((n, f"row {n}", row) for n, row in enumerate(rows, 1)), lambda row: row, decode)
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(
            "this is not a whole Parquet file", where=str(path), mend="Export it anew, or check the copy."
        ) from error


READERS: Final[Mapping[str, Callable[[Path, CsvForm], Iterator[Portion]]]] = {
    "csv": read_csv,
    "jsonl": read_jsonl,
    "senml": read_senml,
    "parquet": read_parquet,
}


class _RowDecoder:
    """Turns one row, by column name, into readings, by the reader that adapters use (`adapters.framing.named_rows`)."""

    def __init__(self, header: list[str] | None, form: CsvForm, name: str) -> None:
        self._rows = NamedRows(form)
        self._given = form.sensor
        self._mapped = tuple(form.columns)
        if header is not None:
            self._refuse_missing(header, name)

    def decode(self, row: Mapping[str, Any], number: int, where: str, portion: Portion) -> None:
        """Put what a row says, and what of it is wrong, into a portion."""
        read = self._rows.read(row, number, where)
        portion.readings += read.readings
        portion.where += [where] * len(read.readings)
        portion.doubled += read.doubled
        portion.troubles += [
            Trouble(where, one.reason, one.detail.removeprefix(where).removeprefix(": ")) for one in read.rejections
        ]

    def _refuse_missing(self, header: list[str], name: str) -> None:
        missing = [theirs for theirs in self._mapped if theirs not in header]
        if self._rows.time not in header:
            missing.append(self._rows.time)
        if self._rows.sensor not in header and self._given is None:
            missing.append(self._rows.sensor)
        told = [column for column in self._rows.quantities.values() if column in header]
        if missing or not told:
            what = f"no column {missing[0]}" if missing else "no column of a quantity"
            found = ", ".join(column[:40] for column in header[:20]) or "none"
            raise InputError(f"{what}; found {found}", where=name, mend=_COLUMNS_MEND)


def _portions(
    rows: Iterable[tuple[int, str, Any]], named: Callable[[Any], Mapping[str, Any] | Why], decode: _RowDecoder
) -> Iterator[Portion]:
    """Decode rows and give them in portions of bounded size."""
    iterator = iter(rows)
    while some := list(itertools.islice(iterator, ROWS_AT_ONCE)):
        portion = Portion()
        for number, where, raw in some:
            row = named(raw)
            if isinstance(row, Why):
                portion.troubles.append(Trouble(where, row.value))
            else:
                decode.decode(row, number, where, portion)
        yield portion


def _lines(file: Any) -> Iterator[bytes]:
    while line := file.readline(_MAX_LINE):
        yield line
