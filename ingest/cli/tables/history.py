"""The mould index of a table: rows as a history, one for each sensor, carried on from block to block.

How long a row counts is found from the times alone: a row stands for the time since the row before it (of the same
sensor), however irregular they come. More than the longest gap is a gap: the index stands still through it, and the row
behind counts as long as the last one before the gap did; the very first row counts one hour, the published model's
step. A bad row is no row: the next one stands for its time too, unless that makes a gap. Bytes in, columns out; no I/O.
"""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from adapters.framing.times import Times, UnclearTimeError
from ingest.cli.tables.layout import Layout
from ingest.cli.tables.numbers import Problem, shown
from ingest.cli.tables.outputs import MOULD_NAMES, MouldWanted
from ingest.cli.tables.records import Records
from ingest.physics.mould import critical_rh_percent, mould_index_onward
from ingest.physics.mould_march import MouldState
from ingest.physics.pointwise import FloatArray

FIRST_ROW_HOURS: Final = 1.0
_MS_PER_HOUR: Final = 3_600_000.0
_MS_DIGITS: Final = 11  # a whole number of fewer digits is a date (20260131), or no time


@dataclass(slots=True)
class Track:
    """One sensor's history so far.  step_hours: how long its last row counted.  known_hours: how much was judged."""

    first_ms: int
    last_ms: int
    step_hours: float = FIRST_ROW_HOURS
    known_hours: float = 0.0
    gaps: int = 0
    state: MouldState = field(default_factory=MouldState)

    @property
    def span_hours(self) -> float:
        """Give the hours from the beginning to the last row, the first row's own among them."""
        return (self.last_ms - self.first_ms) / _MS_PER_HOUR + FIRST_ROW_HOURS


class MouldHistory:
    """Follow the mould index through a table, block by block."""

    def __init__(self, layout: Layout, wanted: MouldWanted) -> None:
        """Start with nothing grown.  layout: one with a time column."""
        self._layout = layout
        self._wanted = wanted
        self.tracks: dict[str, Track] = {}
        self._sensors: list[str] = []
        self._hours: list[float] = []
        self._coverage: list[float] = []

    def follow(self, records: Records, good: NDArray[np.bool_]) -> tuple[Problem, ...]:
        """Take the times of the good ones of these records; mark in `good`, and tell, those that have none in order."""
        self._sensors, self._hours, self._coverage, problems = [], [], [], []
        for index in np.flatnonzero(good).tolist():
            why = self._row(records[index])
            if why is not None:
                good[index] = False
                problems.append(Problem(records.first_row + index, int(records.lines[index]), why))
        return tuple(problems)

    def columns(self, temperature_c: FloatArray, rh_percent: FloatArray) -> dict[str, FloatArray]:
        """Give the mould columns of the rows last followed; temperature_c, rh_percent: of the good ones, in order."""
        hours, index = np.array(self._hours), np.empty(len(self._hours))
        places: dict[str, list[int]] = {}
        for place, sensor in enumerate(self._sensors):
            places.setdefault(sensor, []).append(place)
        for sensor, rows in places.items():
            track = self.tracks[sensor]
            index[rows], track.state = mould_index_onward(
                track.state,
                temperature_c[rows],
                rh_percent[rows],
                hours[rows],
                sensitivity=self._wanted.sensitivity,
                decline_factor=self._wanted.decline_factor,
            )
        critical = critical_rh_percent(temperature_c, self._wanted.sensitivity)
        return dict(zip(MOULD_NAMES, (index, critical, np.array(self._coverage)), strict=True))

    def _row(self, record: bytes) -> str | None:
        """Take one row's time, or say why it has none."""
        assert self._layout.time is not None
        fields = next(csv.reader([record.decode("latin-1")], delimiter=self._layout.delimiter))
        at_ms = _instant_ms(fields[self._layout.time])
        if isinstance(at_ms, str):
            return at_ms
        sensor = "" if self._layout.sensor is None else fields[self._layout.sensor]
        track = self.tracks.get(sensor)
        if track is None:
            track = self.tracks[sensor] = Track(at_ms, at_ms)
        elif at_ms <= track.last_ms:
            return "time is not after that of the row before" + (" of this sensor" if sensor else "")
        else:
            elapsed = (at_ms - track.last_ms) / _MS_PER_HOUR
            if elapsed > self._wanted.longest_gap_hours:
                track.gaps += 1
            else:
                track.step_hours = elapsed
            track.last_ms = at_ms
        track.known_hours += track.step_hours
        self._sensors.append(sensor)
        self._hours.append(track.step_hours)
        self._coverage.append(100.0 * min(track.known_hours / track.span_hours, 1.0))
        return None


def _instant_ms(text: str) -> int | str:
    """Give the instant (ms), or why there is none. Without an offset UTC is meant: only differences count."""
    text = text.strip()
    if not text:
        return "time is empty"
    try:
        value = int(text) if text.isdecimal() and len(text) >= _MS_DIGITS else text
        return Times(dt.UTC).instant("", value).at_ms
    except (UnclearTimeError, OverflowError):
        return f"time is {shown(text)}, which is no date and time (2026-01-31T14:30Z)"


def gaps_in_words(history: MouldHistory, longest_gap_hours: float) -> list[str]:
    """Say, for each sensor, how much of its time could not be judged; nothing where all of it was."""
    said = []
    for sensor, track in history.tracks.items():
        if track.gaps:
            whose = f" of {shown(sensor)}" if sensor else ""
            times = "1 gap" if track.gaps == 1 else f"{track.gaps} gaps"
            said.append(
                f"mould_index{whose}: {track.known_hours:.0f} of {track.span_hours:.0f} hours were judged; {times} of "
                f"more than {longest_gap_hours:g} h left it where it was."
            )
    return said
