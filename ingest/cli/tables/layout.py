"""The header of a table: which character parses it, which column is what, and which columns will be appended."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ingest.cli.tables.outputs import NOTHING_MORE, More, output_names
from ingest.errors import InputError

DELIMITERS: Final = (",", ";", "\t")
_BOM: Final = b"\xef\xbb\xbf"
_NEEDED: Final = "It needs temperature_c or temperature_f, and rh_percent; pressure_kpa or elevation_m may be there."
_TIME_NEEDED: Final = "The mould index needs one: 2026-01-31T14:30Z, or milliseconds since 1970."


@dataclass(frozen=True, slots=True)
class Layout:
    """How to read a table, as its header says.

    header: its bytes as they came, line end and byte-order mark left out.  eol: its line end.  fields: how many columns
    a row has.  temperature, rh, pressure, elevation: the index of that column, None where there is none.
    fahrenheit: the temperature column is in °F.  outputs: names of the columns that will be appended.  time, sensor:
    likewise, looked for only where a history is wanted.
    """

    header: bytes
    eol: bytes
    bom: bytes
    delimiter: str
    fields: int
    temperature: int
    fahrenheit: bool
    rh: int
    pressure: int | None
    elevation: int | None
    outputs: tuple[str, ...]
    time: int | None = None
    sensor: int | None = None

    def heading(self) -> bytes:
        """Give the header line of the output: the input's own, with the appended columns behind."""
        more = self.delimiter.join(self.outputs).encode("ascii")
        return self.bom + self.header + self.delimiter.encode("ascii") + more + self.eol


def read_layout(line: bytes, *, name: str, us_units: bool = False, more: More = NOTHING_MORE) -> Layout:
    """Make out the header line of a table.

    line: its first line, with line end.  name: of the input, for messages.  us_units: US columns are wanted as well.
    more: further columns that are wanted.  Raises InputError when it is no text, a needed column is missing or there
    twice, or derived columns are there.
    """
    bom = _BOM if line.startswith(_BOM) else b""
    header = line[len(bom) :].rstrip(b"\r\n")
    eol = b"\r\n" if line.endswith(b"\r\n") else b"\n"
    _refuse_what_is_no_table(header, name)
    delimiter, names = _split(header, name)
    temperature = "temperature_c" if "temperature_c" in names else "temperature_f"
    missing = [column for column in (temperature, "rh_percent") if column not in names]
    if missing:
        raise InputError(f"no usable columns; found {_listed(names)}", where=name, mend=_NEEDED)
    outputs = output_names(us_units=us_units, has_fahrenheit="temperature_f" in names, more=more)
    if more.mould is not None and "time" not in names:
        raise InputError(f"no column time; found {_listed(names)}", where=name, mend=_TIME_NEEDED)
    _refuse_twice(names, outputs, name)
    return Layout(
        header=header,
        eol=eol,
        bom=bom,
        delimiter=delimiter,
        fields=len(names),
        temperature=names.index(temperature),
        fahrenheit=temperature == "temperature_f",
        rh=names.index("rh_percent"),
        pressure=_index(names, "pressure_kpa"),
        elevation=_index(names, "elevation_m"),
        outputs=outputs,
        time=None if more.mould is None else names.index("time"),
        sensor=None if more.mould is None else _index(names, "sensor"),
    )


def plain_name(column: str) -> str:
    """Give a column name without what differs by habit: case, spaces around, spaces or hyphens within."""
    return column.strip().casefold().replace(" ", "_").replace("-", "_")


def _refuse_what_is_no_table(header: bytes, name: str) -> None:
    if header.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in header:
        raise InputError("this is not UTF-8 text (UTF-16, or no text at all)", where=name, mend="Save it as CSV UTF-8.")
    if b"\r" in header:
        raise InputError(
            "its lines end with a carriage return alone", where=name, mend="Save it with line feeds (LF or CRLF)."
        )


def _split(header: bytes, name: str) -> tuple[str, list[str]]:
    """Give the delimiter and the plain column names: of the delimiters, the one that finds the most columns."""
    text = header.decode("utf-8", errors="replace")
    best: tuple[str, list[str]] = (",", [])
    for delimiter in DELIMITERS:
        try:
            names = [plain_name(field) for field in next(csv.reader([text], delimiter=delimiter), [])]
        except csv.Error as error:
            raise InputError(f"the header cannot be read: {error}", where=name, mend=_NEEDED) from error
        if len(names) > len(best[1]):
            best = delimiter, names
    return best


def _refuse_twice(names: Sequence[str], outputs: Sequence[str], name: str) -> None:
    used = ("temperature_c", "temperature_f", "rh_percent", "pressure_kpa", "elevation_m", "time", "sensor")
    for column in used:
        if names.count(column) > 1:
            raise InputError(f"column {column} is there twice", where=name, mend="Rename or remove one of them.")
    there = [column for column in outputs if column in names]
    if there:
        raise InputError(
            f"already has {_listed(there)}",
            where=name,
            mend="It looks derived already; remove or rename those columns to have them computed anew.",
        )


def _index(names: Sequence[str], column: str) -> int | None:
    return names.index(column) if column in names else None


def _listed(names: Sequence[str]) -> str:
    if not any(names):
        return "none"
    shown = ", ".join("".join(c if c.isprintable() else "?" for c in name[:40]) or "(no name)" for name in names[:12])
    return shown if len(names) <= 12 else f"{shown} and {len(names) - 12} more"
