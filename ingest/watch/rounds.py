"""The rounds of the watch: judging what has come in, and noticing what has not, each inside one unit of work.

Every air sensor of a room is judged by itself; the room stands as its worst sensor does. A room has one window incident
at a time: it opens when the first sensor is out and closes when none is out or returning any more. Silence is told per
sensor (`ingest.watch.silence`).

What comes in order is judged from the batch itself. What lies before something that was judged, of the same sensor or,
where it turns an incident, of another one in the room, is judged again in its place
(`ingest.watch.window.rejudging`); so the incidents are the same whatever order readings come in.

A `Watch` keeps in memory what the store remembers of the rooms and saves it when something turns, or now and then. That
may be lost: what was judged since it was saved is judged again from the stored readings. Whether what is kept still
belongs to the store's state is told by a mark that every unit of work leaves in the store that saves anything of the
judging: if one was rolled back, or another process judged, the mark is another one, and everything is read anew.
"""

from __future__ import annotations

import functools
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from ingest.errors import StorageError
from ingest.site.incidents import Incident, RoomState
from ingest.site.places import Place, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.api import RecordReader, UnitOfWork
from ingest.store.series.pairing import TEMPERATURE_AFTER_MS
from ingest.watch import incident_book
from ingest.watch.rules import ruling
from ingest.watch.rules.ruling import RuleWatch
from ingest.watch.silence import Listening, listen, listened
from ingest.watch.window import arrears, living, restoring
from ingest.watch.window.arrivals import add_emc, air_sensors, arrivals
from ingest.watch.window.judge import SensorState
from ingest.watch.window.living import Kept
from ingest.watch.window.marks import marks_from_json, marks_to_json, standing
from ingest.watch.window.memory import RoomMemory, from_json, to_json
from ingest.watch.window.plan import bound_names
from ingest.watch.window.rejudging import Judged, rejudge
from ingest.watch.window.sensing import Scene

SAVE_EVERY_MS: Final = 1_800_000
"""How often a room's memory is saved while nothing turns: after a crash what was judged since is judged again from the
readings, and half an hour of those takes milliseconds (our choice: seldom enough for a memory card)."""

BUSY_SAVE_EVERY_MS: Final = 300_000
"""How often that of a room is saved of which a sensor is not in range: pages say from it how far out it has been."""

IDLE_SAVE_EVERY_MS: Final = 300_000
"""How often it is saved that somebody looked for silence, while nothing turns: often enough that a short restart is no
break in listening (`silence.LISTENING_BREAK_MS`), and no commit for each look."""

LISTENING_NAME: Final = "*listening"
"""Under this name it stands among the judgements for how long we have been listening, to all rooms in one row."""

MARK_NAME: Final = "*"
"""Under this name, which no room can have, the mark of the last judging stands among the judgements."""


def judge_readings(work: UnitOfWork, site: Site, batch: ReadingBatch, *, now_ms: int) -> list[Incident]:
    """Judge the readings of a batch that `work` has appended; write judgements and incidents.

    now_ms: our clock, UTC; readings more than `rejudging.AHEAD_MS` ahead of it are counted and not judged.
    Gives the incidents that opened, reopened, closed or were withdrawn, each once, as they stand now (one that opened
    and closed within the batch is given closed), in order of opening. Keeps nothing: see `Watch`.
    """
    return Watch(save_every_ms=0).judge_readings(work, site, batch, now_ms=now_ms)


def judge_silence(work: UnitOfWork, site: Site, *, now_ms: int) -> list[Incident]:
    """Open an incident for each sensor that has fallen silent, close those of sensors that are heard again.

    To be called at least every five minutes of the clock that gives `now_ms` (see `ingest.watch.silence`, which says
    what a wall clock that steps does). Also closes window incidents of rooms whose window or sensors were taken away.
    Gives the incidents that opened or closed. Keeps nothing: see `Watch`.
    """
    return Watch(save_every_ms=0).judge_silence(work, site, now_ms=now_ms)


@dataclass(frozen=True, slots=True)
class _Map:
    """A site, arranged for judging."""

    site: Site
    rooms: Mapping[str, Room]
    air: Mapping[str, Sensor]
    air_of: Mapping[str, tuple[Sensor, ...]]

    @staticmethod
    def of(site: Site) -> _Map:
        # In one pass: asking the site per room would cost its sensors times its rooms.
        air_of: dict[str, tuple[Sensor, ...]] = {}
        for sensor in site.sensors:
            if sensor.place is Place.AIR:
                air_of[sensor.room] = (*air_of.get(sensor.room, ()), sensor)
        return _Map(site, {room.id: room for room in site.rooms}, air_sensors(site), air_of)


class Watch:
    """The watch over one store: `judge_readings` and `judge_silence` with what they remember kept at hand.

    For one thread at a time, the one that writes.
    """

    def __init__(self, *, save_every_ms: int = SAVE_EVERY_MS) -> None:
        self._save_every_ms = save_every_ms
        self._kept: dict[str, Kept] = {}
        self._mark: object = None
        self._map: _Map | None = None
        self._rules = RuleWatch()
        self._listening: dict[str, Listening] | None = None
        self._noted_ms = 0  # when that was noted in the store
        self._has_saved = False  # whether this look has written a room's memory

    def judge_readings(self, work: UnitOfWork, site: Site, batch: ReadingBatch, *, now_ms: int) -> list[Incident]:
        """Judge a batch that `work` has appended; as the function of this name.

        What of it was there before with the same value (a gateway that repeats itself, a replay begun anew) is nothing
        new, and judged by nobody.
        """
        batch = work.news(batch)
        if not len(batch):
            return []
        self._rules.note_late(work, site, batch)
        self._check_mark(work)
        there = self._mapped(site)
        told: dict[str, Incident] = {}
        changed: dict[str, Incident] = {}
        self._has_saved = False
        for room_id, arrived in arrivals(batch, there.air).items():
            room = there.rooms.get(room_id)
            if room is None:
                continue
            scene = Scene(work.read, site, room, there.air_of[room_id], now_ms)
            kept = self._room(scene, min(one.first_ms for one in arrived))
            if "emc_percent" in bound_names(kept.memory.plan):
                add_emc(arrived)
            judged = living.judge_arrived(scene, kept, arrived)
            told |= kept.told | judged.told
            caught_up = living.caught_up(kept, arrived, now_ms)
            kept = kept if caught_up is kept.caught_up else replace(kept, caught_up=caught_up)
            changed |= self._keep(work, room_id, kept, judged, now_ms)
        if not changed and not self._has_saved:
            # What was judged turned nothing. Should this unit be rolled back, the same readings come again, and are
            # judged once more in their place: no new mark, which would be a page of the file for each batch.
            return list(told.values())
        return self._told(work, site, told, changed, now_ms)

    def judge_silence(self, work: UnitOfWork, site: Site, *, now_ms: int) -> list[Incident]:
        """Look who has fallen silent; as the function of this name."""
        self._check_mark(work)
        there = self._mapped(site)
        told: dict[str, Incident] = {}
        changed: dict[str, Incident] = {}
        heard, listening = work.read.heard(), self._listened(work, site, now_ms)
        self._has_saved = False
        for room in site.rooms:
            kept = self._room(Scene(work.read, site, room, there.air_of.get(room.id, ()), now_ms), None)
            memory, silences = listen(kept.memory, listening[room.id], site, room, heard, now_ms)
            told |= kept.told | silences
            changed |= self._keep(work, room.id, kept, Judged(memory, {}, silences), now_ms)
        if not changed and not self._has_saved:
            # Nothing of this look is in the file, and nothing of it is missed there if it should be lost: no new mark.
            return list(told.values())
        return self._told(work, site, told, changed, now_ms)

    def judge_rules(
        self, work: UnitOfWork, site: Site, *, now_ms: int, budget_s: float = ruling.BUDGET_S
    ) -> list[Incident]:
        """Judge the rules beside the window that are due; to be called every few minutes.

        budget_s: how long (real seconds) to spend on the past before the rest is left to the next call.  Gives the
        incidents that opened or closed.
        """
        return self._rules.judge(work, site, now_ms=now_ms, budget_s=budget_s)

    def judge_unjudged(
        self, work: UnitOfWork, site: Site, *, now_ms: int, budget_s: float = ruling.BUDGET_S
    ) -> list[Incident]:
        """Judge the windows of rooms of which readings were stored unjudged (`arrears`), and note them for the rules.

        Room by room while there is time, one at least; to be called every few minutes, in a unit of work of its own. A
        room that cannot be judged stays noted; the fault is raised where all that wait are so.
        Gives what is to be told: what goes on still, or was over less than a day ago. The rest is only put down.
        """
        waiting = arrears.rooms_with(work.read, arrears.UNJUDGED, (room.id for room in site.rooms))
        if not waiting:
            return []
        self._check_mark(work)
        there, deadline_s = self._mapped(site), time.monotonic() + budget_s
        told: dict[str, Incident] = {}
        changed: dict[str, Incident] = {}
        faults: list[Exception] = []
        for room_id in waiting:
            noted = arrears.noted(work.read, arrears.UNJUDGED, room_id)
            scene = Scene(work.read, site, there.rooms[room_id], there.air_of.get(room_id, ()), now_ms)
            try:
                kept, judged = self._caught_up(scene, noted)
            except StorageError:
                raise
            except Exception as fault:  # noqa: BLE001 -- one room that cannot be judged must not keep others waiting
                faults.append(fault)
                continue
            if judged is not None:
                found = kept.told | judged.told
                told |= {name: one for name, one in found.items() if ruling.is_news(one, now_ms)}
                changed |= self._keep(work, room_id, kept, judged, now_ms)
            self._rules.note(work, site, room_id, noted)
            arrears.settle(work, arrears.UNJUDGED, room_id)
            if time.monotonic() > deadline_s:
                break
        if len(faults) == len(waiting):
            raise faults[0]
        return self._told(work, site, told, changed, now_ms)

    def _caught_up(self, scene: Scene, noted: Mapping[str, int]) -> tuple[Kept, Judged | None]:
        """Judge what is noted as unjudged of a room, writing nothing; None where nothing judges it."""
        kept = self._room(scene, None)
        if not bound_names(kept.memory.plan):
            return kept, None
        memory = standing(kept.memory, functools.partial(_is_before, noted))
        return kept, rejudge(scene, memory, min(noted.values()) - TEMPERATURE_AFTER_MS)

    def _listened(self, work: UnitOfWork, site: Site, now_ms: int) -> dict[str, Listening]:
        """Give for how long we have been listening to each room, with this look; note it now and then."""
        if self._listening is None:
            facts = work.read.judgement(LISTENING_NAME) or {}
            self._listening = {room: Listening(*since_and_looked) for room, since_and_looked in facts.items()}
            self._noted_ms = max((one.looked_ms for one in self._listening.values()), default=now_ms)
        was = self._listening
        now = was | {room.id: listened(was.get(room.id), now_ms) for room in site.rooms}
        every_ms = IDLE_SAVE_EVERY_MS if self._save_every_ms else 0
        goes_on = all(room in was and was[room].since_ms == one.since_ms for room, one in now.items())
        if not goes_on or not 0 <= now_ms - self._noted_ms < every_ms:
            work.save_judgement(LISTENING_NAME, now)
            self._noted_ms = now_ms
        self._listening = now
        return now

    def _mapped(self, site: Site) -> _Map:
        if self._map is None or self._map.site is not site:
            self._map = _Map.of(site)
        return self._map

    def _room(self, scene: Scene, first_ms: int | None) -> Kept:
        """Recall a room, and bring it in line with the site as it stands now."""
        kept = self._kept.get(scene.room.id)
        if kept is None:
            memory = from_json(scene.read.judgement(scene.room.id))
            memory = replace(memory, marks=_marks_in(scene.read, scene.room.id))
            kept = restoring.restored(scene, memory, first_ms)
        return living.settled(scene, kept)

    def _told(
        self, work: UnitOfWork, site: Site, told: dict[str, Incident], changed: dict[str, Incident], now_ms: int
    ) -> list[Incident]:
        """Write the incidents that judging changed, leave the mark, and give those to tell of as they were written."""
        written = incident_book.write(work, site, changed.values(), now_ms=now_ms) if changed else {}
        self._leave_mark(work)
        return incident_book.as_written(told, written)

    def _keep(self, work: UnitOfWork, room: str, kept: Kept, judged: Judged, now_ms: int) -> dict[str, Incident]:
        """Keep a room's memory; save it where something turned, or where it is time. Give the incidents to write."""
        save_every_ms = self._save_every_ms
        written = kept.written | judged.written
        memory = judged.memory
        if any(state.state is not RoomState.IN_RANGE for state in memory.sensors.values()):
            save_every_ms = min(save_every_ms, BUSY_SAVE_EVERY_MS)
        due = not 0 <= now_ms - kept.saved_ms < save_every_ms
        saved, saved_ms = kept.saved, kept.saved_ms
        if written or due or living.turned(saved, memory, kept.looked):
            work.save_judgement(room, to_json(memory))
            # Of a memory that was lost the marks may be there still: they go with it.
            if memory.marks is not (_marks_in(work.read, room) if saved is None else saved.marks):
                work.save_judgement(_marks_name(room), marks_to_json(memory.marks))
            self._has_saved = True
            saved, saved_ms = memory, now_ms
        self._kept[room] = Kept(memory, saved, saved_ms, kept.caught_up, looked=memory.sensors)
        return written

    def _check_mark(self, work: UnitOfWork) -> None:
        found = (work.read.judgement(MARK_NAME) or {}).get("mark")
        if found is None or found != self._mark:
            self._kept.clear()
            self._listening = None

    def _leave_mark(self, work: UnitOfWork) -> None:
        self._mark = secrets.token_hex(8)
        work.save_judgement(MARK_NAME, {"mark": self._mark})


def _marks_name(room: str) -> str:
    return f"{room}/marks"  # no room can be called so


def _marks_in(read: RecordReader, room: str) -> tuple[RoomMemory, ...]:
    return marks_from_json(read.judgement(_marks_name(room)))


def _is_before(noted: Mapping[str, int], sensor: str, state: SensorState) -> bool:
    """Tell whether something was noted of a sensor that may change what its state was made of."""
    return sensor in noted and state.last_ms is not None and noted[sensor] - TEMPERATURE_AFTER_MS <= state.last_ms
