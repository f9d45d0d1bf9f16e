"""Rows into files: CSV, JSON lines, SenML and Parquet, each a function from rows to bytes, stretch by stretch."""

from __future__ import annotations

import json
import math
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from typing import Any, BinaryIO, Final

import numpy as np

from adapters.contract import QUANTITIES, Reading, Stamp
from adapters.framing import senml
from ingest.cli.exchange.instants import instant_texts
from ingest.cli.exchange.rows import Plan, Rows
from ingest.errors import InputError, SettingsError

FIXED_COLUMNS: Final = ("time", "room", "sensor")
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
_PACK_RECORDS: Final = 500
SUFFIXES: Final[Mapping[str, str]] = {".csv": "csv", ".jsonl": "jsonl", ".senml": "senml", ".parquet": "parquet"}
FORMATS: Final = tuple(SUFFIXES.values())


class Writer(ABC):
    """Writes rows to an open file in one format."""

    def __init__(self, out: BinaryIO, plan: Plan) -> None:
        self.out = out
        self.plan = plan

    @abstractmethod
    def write(self, rows: Rows) -> None:
        """Write one stretch of rows."""

    def finish(self) -> None:
        """Write what comes behind the last row."""
        self.out.flush()


def harmless(text: str) -> str:
    """Give a text that no spreadsheet takes for a formula: an apostrophe is put before one that could be.

    Ids of sensors and rooms begin with a letter or digit, so what intake and import let in is written as it is.
    """
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


class CsvWriter(Writer):
    """One line per row, an empty field where there is no value, numbers with as many digits as bring them back."""

    def __init__(self, out: BinaryIO, plan: Plan) -> None:
        super().__init__(out, plan)
        out.write((",".join([*FIXED_COLUMNS, *plan.quantities]) + "\n").encode())

    def write(self, rows: Rows) -> None:
        """Write one stretch of rows."""
        import pyarrow.csv

        table = arrow_table(rows, self.plan, texts=True)
        options = pyarrow.csv.WriteOptions(include_header=False, quoting_style="needed")
        pyarrow.csv.write_csv(table, self.out, options)


class JsonLinesWriter(Writer):
    """One JSON object per row; a quantity that was not told is left out."""

    def write(self, rows: Rows) -> None:
        """Write one stretch of rows."""
        self.out.write(b"".join(_json_line(row) for row in _objects(rows, self.plan)))


class SenmlWriter(Writer):
    """One SenML pack per line (RFC 8428), of at most some hundred records: what the replay adapter reads as well."""

    def __init__(self, out: BinaryIO, plan: Plan) -> None:
        super().__init__(out, plan)
        strange = [name for name in plan.quantities if name not in QUANTITIES]
        if strange:
            raise SettingsError(
                f"SenML has no words for {strange[0]}",
                where="--format senml",
                mend="Derived quantities follow from the measured ones; leave them out, or choose another format.",
            )

    def write(self, rows: Rows) -> None:
        """Write one stretch of rows."""
        readings = [
            Reading(row["sensor"], name, row[name], int(at_ms), Stamp.SENSOR)
            for at_ms, row in zip(rows.at_ms.tolist(), _objects(rows, self.plan), strict=True)
            for name in self.plan.quantities
            if name in row
        ]
        for begin in range(0, len(readings), _PACK_RECORDS):
            try:
                self.out.write(senml.encode_pack(readings[begin : begin + _PACK_RECORDS]) + b"\n")
            except ValueError as error:
                raise InputError(str(error), mend="Choose another format, or a later --from.") from error


class ParquetWriter(Writer):
    """A Parquet file: time as a timestamp in UTC to the millisecond, values as doubles, null where there is none."""

    def __init__(self, out: BinaryIO, plan: Plan) -> None:
        super().__init__(out, plan)
        import pyarrow.parquet

        schema = arrow_table(_no_rows(plan), plan, texts=False).schema
        self._writer: Any = pyarrow.parquet.ParquetWriter(out, schema, compression="zstd")

    def write(self, rows: Rows) -> None:
        """Write one stretch of rows as a row group."""
        self._writer.write_table(arrow_table(rows, self.plan, texts=False))

    def finish(self) -> None:
        """Write the footer, without which nothing of the file can be read."""
        self._writer.close()
        super().finish()


WRITERS: Final[Mapping[str, type[Writer]]] = {
    "csv": CsvWriter,
    "jsonl": JsonLinesWriter,
    "senml": SenmlWriter,
    "parquet": ParquetWriter,
}


def require_library(name: str) -> None:
    """Raise SettingsError when a format's library is not installed."""
    if name in ("csv", "parquet"):
        try:
            import pyarrow  # noqa: F401
        except ImportError as error:
            raise SettingsError(
                "the library pyarrow is not installed here",
                where=f"--format {name}",
                mend="Install it into lumberroom's environment (pip install pyarrow), or use --format jsonl.",
            ) from error


def arrow_table(rows: Rows, plan: Plan, *, texts: bool) -> Any:
    """Give rows as an Arrow table.  texts: instants as text, names fit for CSV."""
    import pyarrow as pa

    sensors = [harmless(sensor) if texts else sensor for sensor in rows.sensors]
    rooms = [harmless(plan.sensors[sensor]) if texts else plan.sensors[sensor] for sensor in rows.sensors]
    sensor = pa.DictionaryArray.from_arrays(pa.array(rows.sensor), pa.array(sensors, pa.string()))
    room = pa.DictionaryArray.from_arrays(pa.array(rows.sensor), pa.array(rooms, pa.string()))
    time = pa.array(instant_texts(rows.at_ms)) if texts else pa.array(rows.at_ms).cast(pa.timestamp("ms", tz="UTC"))
    columns = {"time": time, "room": room.cast(pa.string()), "sensor": sensor.cast(pa.string())}
    # NaN is how `Rows` says that there is nothing; no store holds one.
    return pa.table(columns | {name: pa.array(v, mask=np.isnan(v)) for name, v in rows.values.items()})


def _objects(rows: Rows, plan: Plan) -> Iterator[dict[str, Any]]:
    columns = [rows.values[name].tolist() for name in plan.quantities]
    names = [(sensor, plan.sensors[sensor]) for sensor in rows.sensors]
    for time, index, *values in zip(instant_texts(rows.at_ms).tolist(), rows.sensor.tolist(), *columns, strict=True):
        sensor, room = names[index]
        told = {name: value for name, value in zip(plan.quantities, values, strict=True) if not math.isnan(value)}
        yield {"time": time, "room": room, "sensor": sensor, **told}


def _json_line(row: Mapping[str, Any]) -> bytes:
    return json.dumps(row, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def _no_rows(plan: Plan) -> Rows:
    nothing = {name: np.empty(0) for name in plan.quantities}
    return Rows(tuple(plan.sensors), np.empty(0, np.int64), np.empty(0, np.int32), nothing)
