"""Recorded readings from rows whose columns are named one by one: JSON objects, records of a table. Pure.

The names are those of CSV (`csv_rows`): `time`, `sensor`, and a quantity each, or what the form maps them to. What is
missing, null, empty or NaN is a gap.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from adapters.contract import SENSOR_ID, Reading, Stamp, Why, rejection
from adapters.framing.columns import COLUMNS, GAPS, Column, converted, value_of
from adapters.framing.csv_rows import CsvForm, Row
from adapters.framing.times import Times, UnclearTimeError


class NamedRows:
    """Reads the rows of one file, in their order: of an hour that clocks show twice the order tells which is meant."""

    def __init__(self, form: CsvForm) -> None:
        """form: how names, times and sensors that the file itself does not give are to be understood."""
        theirs = {ours: theirs for theirs, ours in form.columns.items()}
        self._given = form.sensor
        self.time = theirs.get("time", "time")
        self.sensor = theirs.get("sensor", "sensor")
        self.quantities: Mapping[str, str] = {ours: theirs.get(ours, ours) for ours in COLUMNS}
        self._times = Times(form.zone, form.time_format)

    def read(self, row: Mapping[str, Any], number: int, where: str) -> Row:
        """Read one row.  where: how it is named in rejections.  Never raises for anything in it."""
        sensor = row.get(self.sensor) or self._given
        if not isinstance(sensor, str) or not SENSOR_ID.fullmatch(sensor):
            why = Why.NAME if isinstance(sensor, str) and sensor else Why.NO_SENSOR
            return Row(number, [], [rejection(why, where if why is Why.NO_SENSOR else f"{where}: {sensor!r:.60}")])
        told = row.get(self.time)
        told = told.strip() if isinstance(told, str) else told
        try:
            instant = self._times.instant(sensor, told, lambda: self._held(row))
        except UnclearTimeError as error:
            because = f": {error}" if str(error) else ""
            return Row(number, [], [rejection(Why.TIME, f"{where}: time {told!r:.60}{because}", sensor)])
        read = Row(number, [], [], instant.doubled)
        for ours, name in self.quantities.items():
            value = _value(row.get(name), COLUMNS[ours])
            if isinstance(value, Why):
                read.rejections.append(rejection(value, f"{where}: {name} {row[name]!r:.60}", sensor))
            elif value is not None:
                read.readings.append(Reading(sensor, COLUMNS[ours].quantity, value, instant.at_ms, Stamp.SENSOR))
        return read

    def _held(self, row: Mapping[str, Any]) -> tuple[bool, ...]:
        return tuple(row.get(name) not in (None, "") for name in self.quantities.values())


def object_of(line: bytes) -> Mapping[str, Any] | Why:
    """Read a line that holds a JSON object, or say why it does not."""
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        return Why.NOT_JSON
    return row if isinstance(row, dict) else Why.ROW


def _value(told: object, column: Column) -> float | Why | None:
    """Give a value in our unit and range, None for a gap, or why it is none."""
    if told is None or (isinstance(told, str) and told.strip().lower() in GAPS):
        return None
    if isinstance(told, str):
        return value_of(told.strip(), column)
    if isinstance(told, bool) or not isinstance(told, int | float):
        return Why.WRONG_TYPE
    try:
        number = float(told)
    except OverflowError:
        return Why.NOT_FINITE
    return None if math.isnan(number) else converted(number, column)
