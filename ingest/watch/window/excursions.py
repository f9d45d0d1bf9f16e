"""A room's window incidents: what the changes of its sensors' states, in order of time, make of them. No I/O."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from ingest.site.incidents import Ending, Incident, IncidentKind
from ingest.site.places import Room, Sensor, Site
from ingest.watch.reasons import Telling, incident_reason, sensor_name
from ingest.watch.severity import RANK, Weight, hours, margin_hours, weighed
from ingest.watch.window.certainty import accuracy
from ingest.watch.window.folding import Change, step_of
from ingest.watch.window.judge import SensorState, Worst, with_excess
from ingest.watch.window.memory import RoomMemory, Turn
from ingest.watch.window.plan import window_at


def incident_id(room: str, kind: IncidentKind, opened_ms: int, sensor: str = "") -> str:
    """Give the id of an incident: made of what it is, so that judging the same readings again gives the same ids."""
    when = dt.datetime.fromtimestamp(opened_ms / 1000, tz=dt.UTC)
    stamp = f"{when:%Y%m%dT%H%M%S}{opened_ms % 1000:03d}Z"
    # What an address or a Message-ID might not carry is spelled by its code, so that no two sensors share a spelling.
    spelled = re.sub(r"[^A-Za-z0-9-]", lambda odd: f"_{ord(odd[0]):02x}", sensor)
    return ".".join(part for part in (room, kind.value, spelled, stamp) if part)


class Excursions:
    """The window incident of one room while one batch is judged.

    incident: the newest one, open or closed.  told: those that opened, reopened, closed or became more severe.
    written: those to write.
    """

    def __init__(self, site: Site, room: Room, air: Sequence[Sensor], memory: RoomMemory) -> None:
        self.incident = memory.incident
        self.told: dict[str, Incident] = {}
        self.written: dict[str, Incident] = {}
        self._site = site
        self._room = room
        self._order = {sensor.id: place for place, sensor in enumerate(air)}
        self._active = {name for name, state in memory.sensors.items() if state.active}
        self._worst = memory.worst
        self._written_step = memory.written_step
        self._openings = memory.openings
        self._followed = memory.followed
        self._plan = memory.plan
        self._spent = dict(memory.spent)

    def settle(self, now_ms: int) -> None:
        """Close an incident that nothing holds open any more: its window or its sensor was taken away."""
        if self.incident is None or not self.incident.is_open or self._active:
            return
        ending = Ending.NO_WINDOW if self._room.window is None else Ending.NO_SENSOR
        self._close(max(now_ms, self.incident.opened_ms), ending)

    def is_behind(self, changes: Iterable[tuple[Sensor, Change]]) -> bool:
        """Tell whether any change belongs before one that was followed already: then the room must be judged again."""
        return self._followed is not None and any(self._when(change) < self._followed for change in changes)

    def follow(self, changes: Iterable[tuple[Sensor, Change]]) -> None:
        """Follow the sensors' changes in order of time; at one instant, what opens comes before what closes."""
        for sensor, change in sorted(changes, key=self._when):
            self._followed = self._when((sensor, change))
            if change.after.active:
                self._holds_open(sensor, change)
            elif change.before.active:
                self._active.discard(sensor.id)
                self._worsen(change.before.worst)
                self._spent[sensor.id] = with_excess(self._spent.get(sensor.id, {}), change.before.excess)
                if not self._active and self.incident is not None and self.incident.is_open:
                    self._close(max(change.at_ms, self.incident.opened_ms))

    def grow(self, states: Mapping[str, SensorState]) -> None:
        """Let an incident that goes on weigh what its sensors have summed up by now; say so where it grew more severe.

        states: of the room's sensors, as they are after all that was followed.
        """
        if self.incident is None or not self.incident.is_open:
            return
        excesses = dict(self._spent)
        for name in self._active:
            if name in states:
                excesses[name] = with_excess(excesses.get(name, {}), states[name].excess)
        was, now = self.incident, self._weighed(self.incident, excesses)
        if now == was:
            return
        self.incident = self.written[now.id] = now
        if now.id in self.told or RANK[now.severity] > RANK[was.severity]:
            self.told[now.id] = now

    def remembered(self, memory: RoomMemory) -> RoomMemory:
        """Give the memory with this room's incident in it."""
        return replace(
            memory,
            incident=self.incident,
            worst=self._worst,
            written_step=self._written_step,
            openings=self._openings,
            spent=dict(self._spent),
            followed=self._followed,
        )

    def _when(self, found: tuple[Sensor, Change]) -> Turn:
        sensor, change = found
        return change.at_ms, int(not change.after.active), self._order.get(sensor.id, 0)

    def _holds_open(self, sensor: Sensor, change: Change) -> None:
        self._active.add(sensor.id)
        opened_ms = change.at_ms if change.after.opened_ms is None else change.after.opened_ms
        if self.incident is None or not self.incident.is_open:
            self._open(sensor, change, opened_ms)
        written = self._written_step
        self._worsen(change.after.worst)
        if step_of(self._worst) > written:
            self._write()

    def _worsen(self, worst: Worst | None) -> None:
        if worst is not None and (self._worst is None or worst.share > self._worst.share):
            self._worst = worst

    def _open(self, sensor: Sensor, change: Change, opened_ms: int) -> None:
        last = self.incident
        if last is not None and last.closed_ms is not None and last.opened_ms <= opened_ms <= last.closed_ms:
            # The same event: a sensor of this room was out while another closed it, or its last instant was revised.
            self.incident = replace(last, closed_ms=None, ending=Ending.BY_ITSELF)
            self._openings += 1
        else:
            began_ms = opened_ms if change.after.began_ms is None else change.after.began_ms
            identity = incident_id(self._room.id, IncidentKind.WINDOW, opened_ms)
            self.incident = Incident(
                identity, self._room.id, sensor.id, IncidentKind.WINDOW, began_ms, opened_ms, reason=""
            )
            self._worst, self._written_step, self._openings, self._spent = change.after.worst, -1, 1, {}
        self._write()
        self.told[self.incident.id] = self.incident

    def _close(self, closed_ms: int, ending: Ending = Ending.BY_ITSELF) -> None:
        assert self.incident is not None
        self.incident = replace(self.incident, closed_ms=closed_ms, ending=ending)
        self._write()
        self.incident = self.written[self.incident.id] = self._weighed(self.incident, self._spent)
        self.told[self.incident.id] = self.incident

    def _weighed(self, incident: Incident, excesses: Mapping[str, Mapping[str, int]]) -> Incident:
        window = window_at(self._plan, incident.opened_ms)
        margins = {} if window is None else window.margins()
        share = 0.0 if self._worst is None else self._worst.share
        told = max((one.get(incident.quantity or "", 0) for one in excesses.values()), default=0)
        weight = Weight(share, margin_hours(excesses.values(), margins))
        return weighed(incident, hours(told), weight, self._room.rules)

    def _write(self) -> None:
        assert self.incident is not None
        incident, worst = self.incident, self._worst
        if worst is not None:
            found = accuracy(self._site.sensor(incident.sensor), worst.quantity, worst.value)
            incident = replace(_with_worst(incident, worst), accuracy=found)
            self._written_step = step_of(worst)
        name = sensor_name(self._site.sensor(incident.sensor), incident.sensor)
        self.incident = replace(incident, reason=incident_reason(incident, name, Telling(self._site.time_zone)))
        self.written[self.incident.id] = self.incident
        if self.incident.id in self.told:
            self.told[self.incident.id] = self.incident


def _with_worst(incident: Incident, worst: Worst) -> Incident:
    return replace(
        incident, quantity=worst.quantity, bound=worst.bound, worst_value=worst.value, worst_at_ms=worst.at_ms
    )
