"""Whether readings and rollups are sound: every checksum, every sum, every rollup computed again. Only reads."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.physics.derived import DERIVED
from ingest.site.series import SeriesKey
from ingest.store.file.sums import SOUND
from ingest.store.series import (
    chunk_format,
    chunks,
    coverage,
    following,
    heads,
    rollups,
    rows,
    staging,
    stale,
)
from ingest.store.series.cells import Cells
from ingest.store.series.chunks import Span
from ingest.store.series.rows import utc
from ingest.store.series.squeeze import Damaged
from ingest.store.series.summing import unsettled_of
from ingest.store.series.tail import Tail
from ingest.store.series.view import Unpacked, View

_SPAN_MS: Final = 32 * 86_400_000  # rollups are computed again for so much at a time
_TOLERANCE: Final = 1e-12  # sums of values that are not decimal are rounded, by the order of adding
_DERIVED_TOLERANCE: Final = 1e-6  # what the wet bulb is solved to; the others are far better


class BadChunk(NamedTuple):
    """A chunk in which something is damaged."""

    id: int
    sensor: str
    from_ms: int
    to_ms: int
    what: str


class BadRollup(NamedTuple):
    """A stretch of a sensor in which so many cells of a quantity's rollups are damaged, missing or wrong.

    lost: the stretch in which cells, sound in themselves, count more readings than there are; None where none do.
    """

    sensor: str
    from_ms: int
    to_ms: int
    quantity: str
    cells: int
    lost: tuple[int, int] | None = None


def view_of(connection: sqlite3.Connection) -> View:
    """Give a view for one pass over everything, that remembers little."""
    state = heads.state_of(connection)
    tail = Tail(state.sealed)
    tail.catch_up(connection, state.top)
    head = heads.advanced(heads.load(connection, state), tail.all(state.sealed, state.top), state.top)
    return View(connection, head, tail, Unpacked(8 * 1024 * 1024), lambda _: None)


def faults(connection: sqlite3.Connection) -> Iterator[str]:
    """Give what is wrong, a sentence each."""
    unreadable = list(bad_batches(connection))
    yield from unreadable
    if unreadable:
        return
    for bad in bad_chunks(connection):
        yield chunk_in_words(bad)
    yield from (sentence for _, sentence in bad_sums(connection))
    yield from in_words(bad_rollups(connection))


def chunk_in_words(bad: BadChunk) -> str:
    """Give a sentence about a bad chunk."""
    return f"readings of {bad.sensor}, {utc(bad.from_ms)} to {utc(bad.to_ms)}: {bad.what}"


def in_words(bad: Iterable[BadRollup]) -> Iterator[str]:
    """Give sentences about bad rollups: adjoining stretches together, quantities of one stretch together."""
    joined: dict[tuple[str, str], list[BadRollup]] = {}
    for one in bad:
        runs = joined.setdefault((one.sensor, one.quantity), [])
        if runs and one.from_ms <= runs[-1].to_ms:
            runs[-1] = runs[-1]._replace(to_ms=one.to_ms, cells=runs[-1].cells + one.cells)
        else:
            runs.append(one)
    together: dict[tuple[str, int, int, int], list[str]] = {}
    for runs in joined.values():
        for one in runs:
            together.setdefault((one.sensor, one.from_ms, one.to_ms, one.cells), []).append(one.quantity)
    for (sensor, from_ms, to_ms, cells), names in together.items():
        of = names[0] if len(names) == 1 else f"each of {', '.join(names[:-1])} and {names[-1]}"
        of = "each derived quantity" if set(names) == set(DERIVED) else of
        yield f"rollups of {sensor}, {utc(from_ms)} to {utc(to_ms)}: {cells} cells of {of} are missing or wrong"


def bad_batches(connection: sqlite3.Connection) -> Iterator[str]:
    """Give staged batches that cannot be read."""
    known = {row[0] for row in connection.execute("SELECT id FROM series")}
    rows_of_batches = connection.execute(f"SELECT {staging.COLUMNS} FROM batch ORDER BY number")
    for number, body, is_sound in rows_of_batches:
        try:
            unassigned = set(staging.decoded(number, body).series.tolist()) - known
        except (ValueError, TypeError):
            yield f"batch {number}: it cannot be read"
            continue
        if not is_sound:
            yield f"batch {number}: it is not as it was written"
        if unassigned:
            yield f"batch {number}: it names series that are not there"


def bad_chunks(connection: sqlite3.Connection, after: int = 0, limit: int = -1) -> Iterator[BadChunk]:
    """Give the chunks in which a checksum is wrong, or what they hold is not what they should.

    after, limit: look at so many with higher ids than this, -1 for all.
    """
    for chunk_id, sensor, from_ms, to_ms in connection.execute(
        "SELECT id, sensor, from_ms, to_ms FROM chunk WHERE id > ? ORDER BY id LIMIT ?", (after, limit)
    ).fetchall():
        found = connection.execute(_NEIGHBOURS, (sensor, from_ms)).fetchall()
        what = _fault_of_chunk(connection, Span(chunk_id, from_ms, to_ms))
        if not found or found[0] != (chunk_id, from_ms):
            what = what or "it is not found by its index"
        elif len(found) == 2 and found[1][1] < to_ms:
            what = what or "it overlaps the one behind it"
        if what:
            yield BadChunk(chunk_id, sensor, from_ms, to_ms, what)


_NEIGHBOURS: Final = "SELECT id, from_ms FROM chunk WHERE sensor = ? AND from_ms >= ? ORDER BY from_ms LIMIT 2"


def _fault_of_chunk(connection: sqlite3.Connection, span: Span) -> str:
    try:
        chunk = chunks.fetch(connection, span.id)
        _, damaged_parts = chunk_format.sound(chunk)
        if damaged_parts:
            return "; ".join(damaged_parts)
        for part in chunk.parts.values():
            at_ms = chunk_format.unseal(part).at_ms
            if at_ms[0] < span.from_ms or at_ms[-1] >= span.to_ms or not bool(np.all(np.diff(at_ms) > 0)):
                return "its instants are not in order within its stretch"
    except Damaged as damaged:
        return str(damaged)
    return ""


def bad_sums(connection: sqlite3.Connection, sensor: str | None = None) -> Iterator[tuple[int, str]]:
    """Give the series (by id) whose noted count, extent or newest value is not that of the sealed readings.

    sensor: look at its series alone; None for all.
    """
    head = heads.load(connection, heads.state_of(connection))
    for one in sorted({key.sensor for key in head.ids}) if sensor is None else [sensor]:
        there = _sealed_extents(connection, one)
        for series_id in head.of_sensor(one):
            key = head.keys[series_id]
            assert key is not None  # asked for by its id
            asked = "SELECT coalesce(sum(count), 0) FROM thinned WHERE series_id = ?"
            (gone,) = connection.execute(asked, (series_id,)).fetchone()
            count, first_ms, newest = there.get(series_id, (0, 0, None))
            name = f"{key.quantity} of {key.sensor}"
            if count + gone != head.count[series_id]:
                yield series_id, f"{name}: {head.count[series_id]} readings are noted, {count + gone} are there"
            elif newest is not None and not gone:
                last = chunk_format.unseal(newest)
                noted = head.first_ms[series_id], head.last_ms[series_id], head.last_value[series_id].tobytes()
                if noted != (first_ms, last.at_ms[-1], last.value[-1].tobytes()):
                    yield series_id, f"{name}: the noted extent or newest value is not that of the readings"


def _sealed_extents(
    connection: sqlite3.Connection, sensor: str
) -> dict[int, tuple[int, int, chunk_format.Part | None]]:
    """Give of each series how many readings its chunks hold, the first instant, and the newest sound part."""
    there: dict[int, tuple[int, int, chunk_format.Part | None]] = {}
    for span in chunks.spans(connection, sensor, -(2**53), 2**53):
        try:
            parts, _ = chunk_format.sound(chunks.fetch(connection, span.id))
        except Damaged:
            continue
        for series_id, part in parts.items():
            count, first_ms, _ = there.get(series_id, (0, part.instants.first_ms, None))
            there[series_id] = count + part.instants.length, first_ms, part
    return there


def count_again(connection: sqlite3.Connection, series_id: int) -> int:
    """Note anew how many readings a series has, how far they reach and the newest value; give how many are missing."""
    connection.execute(
        f"UPDATE series SET sealed_through = (SELECT sealed_batch FROM state) WHERE id = ? AND NOT ({SOUND['series']})",
        (series_id,),
    )
    view = view_of(connection)
    sealed = rows.sealed_whole(view, series_id)
    gone = connection.execute(
        "SELECT coalesce(sum(count), 0) FROM thinned WHERE series_id = ?", (series_id,)
    ).fetchone()
    count = len(sealed.at_ms)
    extent = (int(sealed.at_ms[0]), int(sealed.at_ms[-1]), float(sealed.value[-1])) if count else (None, None, None)
    noted = count + int(gone[0])
    before = connection.execute("SELECT count FROM series WHERE id = ?", (series_id,)).fetchone()[0]
    connection.execute(
        "UPDATE series SET count = ?, first_ms = ?, last_ms = ?, last_value = ? WHERE id = ?",
        (noted, *extent, series_id),
    )
    return int(before) - noted


def bad_rollups(connection: sqlite3.Connection) -> Iterator[BadRollup]:
    """Give stretches whose rollups are not what the readings make them; stretches known as stale are passed over."""
    view = view_of(connection)
    for sensor in sorted({key.sensor for key in view.heads.ids}):
        for begin in spans_of(connection, sensor):
            yield from bad_rollups_in(view, sensor, begin)


def spans_of(connection: sqlite3.Connection, sensor: str, span_ms: int = _SPAN_MS) -> list[int]:
    """Give the begins of the stretches in which there may be readings, what they cover, or rollups of a sensor."""
    reached: set[int] = set()
    for from_ms, to_ms in connection.execute("SELECT from_ms, to_ms FROM chunk WHERE sensor = ?", (sensor,)):
        reached |= set(range(from_ms // span_ms, (to_ms + coverage.MAX_GAP_MS) // span_ms + 1))
    asked = "SELECT rollup.quantity, from_ms FROM rollup JOIN series ON series.id = series_id WHERE sensor = ?"
    for quantity, from_ms in connection.execute(asked, (sensor,)):
        to_ms = from_ms + rollups.width_ms(quantity) * rollups.BLOCK_CELLS
        reached |= set(range(from_ms // span_ms, -(-to_ms // span_ms)))
    return [span * span_ms for span in sorted(reached)]


def bad_rollups_in(view: View, sensor: str, begin: int, span_ms: int = _SPAN_MS) -> Iterator[BadRollup]:
    """Give what `bad_rollups` gives for one stretch of `spans_of` of one sensor."""
    noted, stretch = stale.derived_as(view.connection), (begin, begin + span_ms)
    # Computed by other formulae than ours, rollups of derived series are not used, and renewed with the next step.
    ours = noted.split()[:1] == stale.derived_as_now(0.0).split()[:1]
    for series_id in view.heads.of_sensor(sensor):
        key = view.heads.keys[series_id]
        if key is None or not view.heads.count[series_id]:
            continue
        yield from _wrong_cells(view, key, series_id, [key.quantity], 101.325, stretch)
        with_temperature = SeriesKey(sensor, "temperature_c") in view.heads.ids
        if key.quantity == "rh_percent" and with_temperature and ours:
            yield from _wrong_cells(
                view, key, series_id, list(DERIVED), float(noted.split()[1]), (begin, begin + span_ms)
            )


def _wrong_cells(
    view: View, key: SeriesKey, series_id: int, quantities: list[str], pressure_kpa: float, stretch: tuple[int, int]
) -> Iterator[BadRollup]:
    width = rollups.width_ms(quantities[0])
    begin, end = stretch
    settled = np.ones((end - begin) // width, np.bool_)
    for low, high in _excused(view, key, quantities, pressure_kpa):
        settled[max(0, (low - begin) // width) : max(0, -(-(high - begin) // width))] = False
    for quantity, true in following.computed(view, series_id, quantities, begin, end, lambda: pressure_kpa):
        differing, more = _differing(view, series_id, quantity, begin, true)
        wrong = settled & differing
        if wrong.any():
            low, high = _extent(wrong, begin, width)
            lost = _extent(wrong & more, begin, width) if (wrong & more).any() else None
            yield BadRollup(key.sensor, low, high, quantity, int(np.count_nonzero(wrong)), lost)


def _extent(cells: NDArray[np.bool_], begin: int, width: int) -> tuple[int, int]:
    first, last = np.flatnonzero(cells)[[0, -1]].tolist()
    return begin + first * width, begin + (last + 1) * width


def _excused(view: View, key: SeriesKey, quantities: list[str], pressure_kpa: float) -> list[tuple[int, int]]:
    """Give the stretches that are known as not following yet, or whose readings are lost."""
    asked = SeriesKey(key.sensor, quantities[0])
    known = unsettled_of(view, asked, -(2**53), 2**53, lambda: pressure_kpa)
    # What lies beside lost readings is covered by others than it was.
    margin = 86_400_000
    return [*known, *((low - margin, high + margin) for low, high in rollups.lost_of(view, key.sensor))]


def _differing(
    view: View, series_id: int, quantity: str, begin: int, true: Cells
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Say of each cell whether its rollup differs from the readings, and whether it counts more of them."""
    width = rollups.width_ms(quantity)
    try:
        held = rollups.dense(view, series_id, quantity, begin, begin + len(true.readings) * width)
    except Damaged:
        return np.ones(len(true.readings), np.bool_), np.zeros(len(true.readings), np.bool_)
    same: NDArray[np.bool_] = (held.readings == true.readings) & (held.vouched_ms == true.vouched_ms)
    # Another machine may compute the last digits of a formula otherwise; measured readings are what they are.
    tolerance = _DERIVED_TOLERANCE if quantity in DERIVED else 0.0
    for mine, theirs in ((held.minimum, true.minimum), (held.maximum, true.maximum)):
        same &= np.isclose(mine, theirs, rtol=tolerance, atol=tolerance)
    same &= np.isclose(held.total, true.total, rtol=tolerance + _TOLERANCE, atol=tolerance + _TOLERANCE)
    differing: NDArray[np.bool_] = ~same
    return differing, held.readings > true.readings
