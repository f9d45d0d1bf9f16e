"""Files of recorded readings, read a bounded piece at a time: CSV, or lines of SenML packs or of JSON objects."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from typing import Any, BinaryIO, Final

from adapters.contract import Reading, Rejection, Setting, SettingsError, Stamp, Why, rejection
from adapters.framing.csv_rows import DECIMALS, CsvForm, read_rows, text_of
from adapters.framing.named_rows import NamedRows, object_of
from adapters.framing.senml import decode_pack
from adapters.framing.senml_records import MAX_PACK_BYTES
from adapters.framing.times import checked_time_format, zone_named
from adapters.packs import checked_name

ITEMS_AT_ONCE: Final = 1_000
"""How many readings are read before they are given on; bounds the size of a batch."""
SUFFIXES: Final[Mapping[str, str]] = {".csv": "csv", ".tsv": "csv", ".senml": "senml", ".jsonl": "senml"}

FILE_SETTINGS: Final[tuple[Setting, ...]] = (
    Setting(
        "format",
        str,
        'what is in a file; "auto" goes by the end of its name (.csv, .tsv, .senml, .jsonl)',
        default="auto",
        choices=("auto", "csv", "senml"),
    ),
    Setting("sensor", str, "the sensor of rows or records that name none"),
    Setting("zone", str, 'of CSV times without an offset: "Europe/Helsinki" or "+02:00"'),
    Setting("time_format", str, 'of CSV times that are not ISO 8601: "%d.%m.%Y %H:%M", "unix" or "unix_ms"'),
    Setting(
        "decimal",
        str,
        'the decimal sign of CSV numbers; "auto" is a comma where fields are separated by something else',
        default="auto",
        choices=DECIMALS,
    ),
    Setting("header_row", int, "which row of a CSV file names its columns", default=1, minimum=1, maximum=1000),
    Setting("columns", dict, 'what the CSV columns are: { "their name" = "temperature_c", ... }', default={}),
)

Portion = list[Reading | Rejection]


@dataclass(frozen=True, slots=True)
class FileForm:
    """How files are to be understood.  format: "csv", "senml", or "auto" for each by its name."""

    format: str
    csv: CsvForm


def file_form(settings: Mapping[str, Any], path: Path | None = None) -> FileForm:
    """Make the form of checked settings with `FILE_SETTINGS`.  path: the one file, where there is one.

    Raises SettingsError where they do not go together.
    """
    sensor: str | None = settings["sensor"]
    if sensor is not None:
        checked_name(sensor, "sensor")
    zone = settings["zone"]
    form = settings["format"]
    if path is not None and form == "auto":
        form = _format_by_name(path)
    csv_form = CsvForm(
        columns=settings["columns"],
        sensor=sensor,
        zone=None if zone is None else zone_named(zone),
        time_format=checked_time_format(settings["time_format"]),
        decimal=settings["decimal"],
        header_row=settings["header_row"],
    )
    return FileForm(form, csv_form)


def _format_by_name(path: Path) -> str:
    by_name = SUFFIXES.get(path.suffix.lower())
    if by_name is None:
        raise SettingsError(
            f"the name {path.name!r} does not say what is in the file",
            where="format",
            mend='Set format = "csv" or format = "senml"',
        )
    return by_name


def recorded(path: Path, form: FileForm) -> Generator[Portion, None, None]:
    """Open a file and give what is in it piece by piece; blocks while it reads from the disk.

    Raises SettingsError when it cannot be opened, SettingsError or ProtocolError when its header cannot be understood,
    OSError when the disk fails.
    """
    with _open(path) as file:
        is_csv = (form.format if form.format != "auto" else _format_by_name(path)) == "csv"
        items = chain.from_iterable(_csv_items(file, form.csv) if is_csv else _line_items(file, form.csv))
        while some := list(islice(items, ITEMS_AT_ONCE)):
            yield some


def _csv_items(file: BinaryIO, form: CsvForm) -> Iterator[Portion]:
    for row in read_rows(map(text_of, _lines(file)), form):
        yield [*row.readings, *row.rejections]


def _line_items(file: BinaryIO, form: CsvForm) -> Iterator[Portion]:
    """Give what lines hold: a pack each, or an object with a row's columns, as `lumberroom export` writes them too."""
    rows = NamedRows(form)
    for number, line in enumerate(map(bytes.strip, _lines(file)), 1):
        if line.startswith(b"{"):
            yield _of_object(line, number, rows)
        elif line and not line.startswith(b"#"):
            yield _of_pack(line, number, form.sensor)


def _of_object(line: bytes, number: int, rows: NamedRows) -> Portion:
    where, row = f"line {number}", object_of(line)
    if isinstance(row, Why):
        return [rejection(row, f"{where}: {text_of(line[:80])}")]
    read = rows.read(row, number, where)
    return [*read.readings, *read.rejections]


def _of_pack(line: bytes, number: int, sensor: str | None) -> Portion:
    # Against the beginning of 1970, so that a time relative to "now" is known for what it is.
    decoded = decode_pack(line, 0, default_sensor=sensor)
    timed: Portion = [reading for reading in decoded.readings if reading.stamp is Stamp.SENSOR]
    untimed = [reading.sensor for reading in decoded.readings if reading.stamp is Stamp.ARRIVAL]
    timed += [rejection(Why.TIME, f"line {number}: no instant recorded", name) for name in untimed]
    timed += [item._replace(detail=f"line {number}: {item.detail}"[:200]) for item in decoded.rejections]
    return timed


def _open(path: Path) -> BinaryIO:
    try:
        # Not waiting for the writer of a pipe that somebody put there.
        return os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb")
    except OSError as error:
        raise SettingsError(
            f"it cannot be opened ({error.strerror})",
            where=str(path),
            mend="Give the path of a file that is there and may be read",
        ) from error


def _lines(file: BinaryIO) -> Iterator[bytes]:
    """Give the lines of a file, none longer than a pack may be: what is longer comes in pieces, as bad lines."""
    while line := file.readline(MAX_PACK_BYTES + 2):
        yield line
