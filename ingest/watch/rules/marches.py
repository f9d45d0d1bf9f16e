"""Figures that grow day by day out of all that came before: the boards' moisture, the mould index.

Such a figure is marched along the air of the room in blocks of 32 days; at the end of each block its state is kept as a
mark, so that the next day costs no more than a block. A block is always marched whole from its mark, whenever it is
looked at, so that the same readings give the same figures to the last bit. What comes late before a mark makes the
mark void; without marks the march begins at the beginning.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.physics import mould
from ingest.physics.board import Climate, bridged, simulate
from ingest.physics.mould_march import MouldState
from ingest.physics.wood import emc_percent
from ingest.present.words import zone
from ingest.site.boards import Boards
from ingest.site.bounds import Bounds
from ingest.site.in_service import default_tolerance_percent
from ingest.site.places import Room, Sensor
from ingest.site.series import Floats, Int64s, Series, SeriesKey
from ingest.watch.rules.boards import balance_percent, described
from ingest.watch.rules.figures import DAY_MS, HOUR_MS, Air

BLOCK_DAYS: Final = 32
MARKS_KEPT: Final = 3
BOARD_STEP_MS: Final = 3 * HOUR_MS
"""Boards are marched in steps of three hours: their mean follows the air over days (test: within 0.1 % MC of steps of
ten minutes, after a month of days and weather)."""


class Mark(NamedTuple):
    """Where a march stood at the end of a block.  of: what was marched (a digest).  state: its own numbers."""

    at_ms: int
    of: str
    state: tuple[float, ...]


class Marched(NamedTuple):
    """What a march gave: the figures asked for, and the marks to go on from."""

    figures: Series
    marks: tuple[Mark, ...]


class _Block(NamedTuple):
    """A block marched: the figure at the end of each of its days (NaN: none), and the state at its end."""

    daily: Floats
    state: tuple[float, ...]


_Run = Callable[[int, int, tuple[float, ...]], _Block]
"""Marches from an instant (UTC ms) through so many days, from a state (empty: the beginning)."""


def boards_mc(air: Air, sensor: Sensor, from_ms: int, to_ms: int, marks: Sequence[Mark]) -> Marched:
    """Give the estimated mean moisture of a room's boards at the end of each day, if it has been within tolerance.

    The air is the mean over the room's air sensors; where none is known, the air before is taken to have lasted.
    """
    boards, bounds = air.room.boards, board_bounds(air.room)
    begin_ms = _first_heard_ms(air, air.air)
    if boards is None or bounds is None or begin_ms is None:
        return Marched(Series(np.empty(0, np.int64), np.empty(0)), ())
    if boards.first_day:
        begins = dt.datetime.combine(dt.date.fromisoformat(boards.first_day), dt.time(), zone(air.time_zone))
        begin_ms = round(begins.timestamp() * 1000) // HOUR_MS * HOUR_MS

    def run(block_ms: int, days: int, state: tuple[float, ...]) -> _Block:
        return _march_boards(air, boards, bounds, block_ms, days, state)

    return _march(begin_ms, from_ms, to_ms, marks, f"{boards} {bounds}", run)


def mould_index(air: Air, sensor: Sensor, from_ms: int, to_ms: int, marks: Sequence[Mark]) -> Marched:
    """Give the mould index of a surface in the air at a sensor, at the end of each day from when it was heard.

    VTT model, class "sensitive", with hourly means; hours that were not heard neither grow nor decline.
    """
    begin_ms = _first_heard_ms(air, [sensor])
    if begin_ms is None:
        return Marched(Series(np.empty(0, np.int64), np.empty(0)), ())

    def run(block_ms: int, days: int, state: tuple[float, ...]) -> _Block:
        edges = np.arange(block_ms, block_ms + days * DAY_MS + 1, HOUR_MS)
        temperature_c, rh_percent = (
            air.read.buckets(SeriesKey(sensor.id, name), edges).mean for name in ("temperature_c", "rh_percent")
        )
        start = MouldState(*state) if state else MouldState()
        hours = np.ones(len(edges) - 1)
        index, end = mould.mould_index_onward(start, temperature_c, rh_percent, hours, sensitivity=mould.SENSITIVE)
        return _Block(index[23::24], (end.index, end.hours_without_growth))

    return _march(begin_ms, from_ms, to_ms, marks, "mould", run)


def board_bounds(room: Room) -> Bounds | None:
    """Give what a room's boards are to keep: their target ± their tolerance; None where no target is known."""
    boards = room.boards
    if boards is None:
        return None
    target = boards.target_percent
    if target is None and room.in_service is not None:
        target = round(room.in_service.target_percent(), 1)
    if target is None:
        return None
    tolerance = boards.tolerance_percent or default_tolerance_percent(boards.width_mm)
    return Bounds(target - tolerance, target + tolerance)


def _first_heard_ms(air: Air, sensors: Sequence[Sensor]) -> int | None:
    """Give the full hour before which the air of these sensors was never heard."""
    names = {sensor.id for sensor in sensors}
    found = [
        one.first_ms
        for one in air.read.extents()
        if one.key.sensor in names and one.key.quantity in ("temperature_c", "rh_percent")
    ]
    return min(found) // HOUR_MS * HOUR_MS if found else None


def _march(begin_ms: int, from_ms: int, to_ms: int, marks: Sequence[Mark], of: str, run: _Run) -> Marched:
    """March through whole days up to `to_ms`, from the newest mark before `from_ms`."""
    digest = hashlib.sha256(f"{of} {begin_ms}".encode()).hexdigest()[:12]
    kept = [mark for mark in marks if mark.at_ms < from_ms and mark.of == digest]
    newest_ms = begin_ms + (to_ms - 1 - begin_ms) // DAY_MS * DAY_MS
    if newest_ms < from_ms:
        return Marched(Series(np.empty(0, np.int64), np.empty(0)), tuple(kept))  # no day has ended meanwhile
    at_ms, state = (kept[-1].at_ms, kept[-1].state) if kept else (begin_ms, ())
    instants, values = [np.empty(0, np.int64)], [np.empty(0)]
    while (days := min((to_ms - 1 - at_ms) // DAY_MS, BLOCK_DAYS)) > 0:
        block = run(at_ms, days, state)
        instants.append(at_ms + np.arange(1, days + 1) * DAY_MS)
        values.append(block.daily)
        at_ms, state = at_ms + days * DAY_MS, block.state
        if days < BLOCK_DAYS:
            break
        kept.append(Mark(at_ms, digest, state))
    ends_ms, daily = np.concatenate(instants), np.concatenate(values)
    told = (ends_ms >= from_ms) & np.isfinite(daily)
    return Marched(Series(ends_ms[told], daily[told]), tuple(kept[-MARKS_KEPT:]))


def _march_boards(
    air: Air, boards: Boards, bounds: Bounds, block_ms: int, days: int, state: tuple[float, ...]
) -> _Block:
    """March through days.  state: the last air (°C, %), whether it was within its bounds (1, 0), the profile (% MC)."""
    steps = DAY_MS // BOARD_STEP_MS
    edges = np.arange(block_ms, block_ms + days * DAY_MS + 1, BOARD_STEP_MS)
    temperature_c, rh_percent = _room_air(air, edges)
    before = state[:2] if state else (np.nan, np.nan)
    columns = [np.append(before[0], temperature_c), np.append(before[1], rh_percent)]
    known = np.isfinite(emc_percent(*columns))  # colder than -37 °C there is none: taken as unheard
    if not known.any():
        return _Block(np.full(days, np.nan), state)
    temperature_c, rh_percent = (bridged(np.where(known, column, np.nan))[0] for column in columns)
    climate = Climate(temperature_c, rh_percent)
    start = _start(boards, climate)
    profile: float | tuple[float, ...] = state[3:] if state else start
    # Boards that a meter has measured are taken to have stayed as they were before any air was known.
    stood = max(int(np.argmax(known)) - 1, 0) if not state and boards.mc_percent is not None else 0
    driven = Climate(climate.temperature_c[1 + stood :], climate.rh_percent[1 + stood :])
    history = simulate([described(boards, profile)], driven, step_s=BOARD_STEP_MS / 1000, record_every=1)
    daily = np.append(np.full(stood, start), history.mean_mc_percent[1:, 0])[steps - 1 :: steps]
    inside = np.array([not bounds.excess(value) for value in daily.tolist()])
    # Days before any air was known are not told: what they were is filled in from what came after.
    heard = np.maximum.accumulate(known)[steps::steps]
    arrived = np.maximum.accumulate(inside & heard) | bool(state[2] if state else not bounds.excess(start))
    end = (float(driven.temperature_c[-1]), float(driven.rh_percent[-1]), float(arrived[-1]))
    return _Block(np.where(arrived & heard, daily, np.nan), (*end, *history.profile_mc_percent[:, 0].tolist()))


def _start(boards: Boards, climate: Climate) -> float:
    return balance_percent(climate) if boards.mc_percent is None else boards.mc_percent


def _room_air(air: Air, edges: Int64s) -> tuple[Floats, Floats]:
    """Give the mean temperature and RH over a room's air sensors between edges, NaN where there are no readings."""
    means = []
    for name in ("temperature_c", "rh_percent"):
        rows = np.array([air.read.buckets(SeriesKey(one.id, name), edges).mean for one in air.air])
        there = np.isfinite(rows)
        count = np.count_nonzero(there, axis=0)
        total = np.where(there, rows, 0.0).sum(axis=0)
        means.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    return means[0], means[1]
