"""What an incident has done to the wood in its room, in one sentence: by the board model, from the air as it was.

The sentence is an estimate and says so. It never gives approval to install: it tells whether harm is to be expected of
this incident, and sends people to a meter. Only boards that somebody described (`[room.boards]`) are reckoned with;
where none are, or nothing is known of the air, there is no sentence.

Every limit here is common practice without a source; who lays the floor goes by the product's instructions.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import threading
from dataclasses import replace
from typing import Final

import numpy as np

from ingest.physics import wood
from ingest.site.boards import Boards
from ingest.site.in_service import default_tolerance_percent
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import Site
from ingest.site.series import Floats, Int64s, SeriesKey
from ingest.store.api import SeriesReader
from ingest.store.days import day_edges_ms
from ingest.watch.rules.boards import BoardEstimate, board_estimate

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
BEFORE_MS: Final = 30 * DAY_MS
"""So much of the air before an incident makes the boards what they are when it begins (30 days; our choice)."""

LONGEST_MS: Final = 180 * DAY_MS
FINE_UP_TO_MS: Final = 14 * DAY_MS
LATELY_MS: Final = 2 * DAY_MS
"""What is over for longer than this is told without: a year that is judged again must not wait for the model."""

AT_ONCE: Final = 3
"""So many sentences at most are made while one batch is judged (60 ms each)."""

LITTLE_PERCENT: Final = 0.5
"""A mean that moved by no more does no harm by itself (% MC)."""

STEEP_PERCENT: Final = 2.0
"""Faces this far from the mean strain a board: it may cup or check (% MC)."""


def sentence(read: SeriesReader, site: Site, incident: Incident, *, now_ms: int) -> str:
    """Say what an incident has done to the wood so far, or did; empty where nothing can be said.

    now_ms: our clock (UTC): up to then where it goes on. Takes some 60 ms the first time, then a sixth of that.
    """
    room = site.room(incident.room)
    boards = None if room is None or incident.kind is not IncidentKind.WINDOW else room.boards
    end_ms = now_ms if incident.closed_ms is None else incident.closed_ms
    if boards is None or not HOUR_MS // 4 <= end_ms - incident.began_ms <= LONGEST_MS:
        return ""
    before = _before(read, site, incident, boards)
    during = _air(read, incident.sensor, incident.began_ms, end_ms)
    found = board_estimate(*during, boards, before)
    if found is None:
        return ""
    # By what the sensor covers: one that speaks twice an hour leaves no gap between.
    found = replace(found, bridged_share=_unknown_share(read, incident.sensor, incident.began_ms, end_ms))
    return words_of(found, boards, is_over=not incident.is_open)


def words_of(found: BoardEstimate, boards: Boards, *, is_over: bool) -> str:
    """Put an estimate into the sentence.  is_over: whether the incident is."""
    moved = abs(found.moved_percent)
    way = "gained" if found.moved_percent > 0 else "lost"
    amount = "has hardly moved" if moved < 0.05 else f"{'' if is_over else 'has '}{way} {moved:.1f} % MC"
    face = f"now {found.mean_mc_percent:.1f} % on average, {found.surface_mc_percent:.1f} % at the face"
    which = f"{boards.thickness_mm:g} mm {boards.species.lower()}"
    gaps = f" For {found.bridged_share:.0%} of the time the air is not known." if found.bridged_share > 0.05 else ""
    return (
        f"By the board model the {which} {amount}{'' if is_over else ' so far'}, {face.replace('now ', '', is_over)}: "
        f"{_harm(found, boards)}.{gaps} An estimate: measure the wood with a meter before you decide anything."
    )


def _harm(found: BoardEstimate, boards: Boards) -> str:
    width = f"{boards.width_mm:.0f} mm"
    moves = f"a board {width} wide moves {abs(found.width_change_mm):.1f} mm"
    tolerance = boards.tolerance_percent or default_tolerance_percent(boards.width_mm)
    moved, steep = abs(found.moved_percent), abs(found.surface_mc_percent - found.mean_mc_percent)
    if moved > tolerance:
        return f"enough for gaps or cupping, {moves}"
    if moved <= LITTLE_PERCENT:
        # A skin that has followed the air is thin then: it goes back as it came.
        return "too little to do harm by itself"
    if steep > STEEP_PERCENT:
        return "its faces are far from its middle, so boards may cup or check"
    return moves


def _before(read: SeriesReader, site: Site, incident: Incident, boards: Boards) -> float | tuple[float, ...] | None:
    """Give what the boards were when the incident began; None where nothing of the time before is known."""
    from_ms, start = incident.began_ms - BEFORE_MS, None
    if boards.mc_percent is not None and boards.first_day:
        metered_ms = int(day_edges_ms(dt.date.fromisoformat(boards.first_day), 1, site.time_zone)[0])
        if from_ms < metered_ms < incident.began_ms:
            from_ms, start = metered_ms, boards.mc_percent
    air = _air(read, incident.sensor, from_ms, incident.began_ms)
    if start is None:
        start = _settled_percent(air[1], air[2])
    if start is None:
        return None
    # Coming from the mean of the time before, the first days matter little at its end.
    return _profile_after(air, boards, start)


def _profile_after(air: tuple[Int64s, Floats, Floats], boards: Boards, start: float) -> float | tuple[float, ...]:
    """Give what boards are after so much air, worked out once for all sentences of an incident: it is most of one."""
    told = b"".join(column.tobytes() for column in air) + repr((boards, start)).encode()
    name = hashlib.blake2b(told, digest_size=16).digest()
    profile = _profiles.get(name)
    if profile is None:
        found = board_estimate(*air, boards, start)
        profile = start if found is None else found.profile_mc_percent
        with _keeping:
            while len(_profiles) >= _MOST_PROFILES:
                del _profiles[next(iter(_profiles))]
            _profiles[name] = profile
    return profile


_MOST_PROFILES: Final = 200  # of some 20 numbers each
_keeping: Final = threading.Lock()  # pages and the writer ask from threads of their own
_profiles: Final[dict[bytes, float | tuple[float, ...]]] = {}


def _settled_percent(temperature_c: Floats, rh_percent: Floats) -> float | None:
    emc = wood.emc_percent(temperature_c, rh_percent)
    known = emc[np.isfinite(emc)]
    return float(known.mean()) if len(known) else None


def _air(read: SeriesReader, sensor: str, from_ms: int, to_ms: int) -> tuple[Int64s, Floats, Floats]:
    """Give the air in even steps: instants (UTC, rising), temperature and RH, NaN where unknown."""
    step_ms = HOUR_MS // 6 if to_ms - from_ms <= FINE_UP_TO_MS else HOUR_MS
    edges = np.arange(from_ms, max(to_ms, from_ms + step_ms) + 1, step_ms, dtype=np.int64)
    keys = [SeriesKey(sensor, name) for name in ("temperature_c", "rh_percent")]
    temperature_c, rh_percent = (read.buckets(key, edges).mean for key in keys)
    # From edge to edge, so that the model's time is the air's; the last one says again what the last step was.
    last = [np.append(values, values[-1]) for values in (temperature_c, rh_percent)]
    return edges, last[0], last[1]


def _unknown_share(read: SeriesReader, sensor: str, from_ms: int, to_ms: int) -> float:
    gaps = read.gaps(SeriesKey(sensor, "rh_percent"), from_ms, to_ms)
    return sum(gap.to_ms - gap.from_ms for gap in gaps) / (to_ms - from_ms)


def is_due(incident: Incident, was: Incident | None) -> bool:
    """Tell whether an incident needs its sentence anew: it opened, turned more severe, closed or was revised.

    was: as it stood in the store, None if it is new. A sentence of how it was so far must not outlive the incident.
    """
    if incident.kind is not IncidentKind.WINDOW or incident.withdrawn_ms is not None:
        return False
    then = None if was is None else (was.severity, was.closed_ms, was.began_ms)
    return then != (incident.severity, incident.closed_ms, incident.began_ms)


def is_recent(incident: Incident, now_ms: int) -> bool:
    """Tell whether an incident goes on, or went on lately."""
    return incident.closed_ms is None or now_ms - incident.closed_ms <= LATELY_MS
