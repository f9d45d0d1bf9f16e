"""The rounds of the rules beside the window: each judged in event time on what the store has, from where it stood.

A figure is made of readings at or before its instant (`ingest.watch.rules.figures`), and judged once all the sensors
that it is made of have been heard that far, those aside that are a quarter of an hour behind the others. What comes
after all before what was judged is noted as late (`ingest.watch.window.arrears`), and the next round judges its stretch
again: incidents appear, move or vanish, and say so. So a year that is replayed gives what a year that was lived gave.

What a first look or late readings show of the past is put down; it is told only where it is going on still, or was over
less than a day ago: nobody is woken by history.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from ingest.site.incidents import Ending, Incident
from ingest.site.places import Bounds, Place, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.api import StoreReader, UnitOfWork
from ingest.store.series.pairing import TEMPERATURE_AFTER_MS
from ingest.watch import incident_book
from ingest.watch.reasons import Telling, incident_reason, sensor_name
from ingest.watch.rules import standings
from ingest.watch.rules.figures import AGE_MS, Air
from ingest.watch.rules.rulebook import BY_KEY, RULEBOOK, Entry
from ingest.watch.rules.standings import CALM_KEPT, Anchor, Standing
from ingest.watch.severity import RANK, Weight, hours, weighed
from ingest.watch.window import arrears
from ingest.watch.window.excursions import incident_id
from ingest.watch.window.folding import Change, judge_series
from ingest.watch.window.judge import FIGURE, SensorState, Worst
from ingest.watch.window.memory import from_json
from ingest.watch.window.plan import EVER_MS, plan_of
from ingest.watch.window.rejudging import Diff, matched, overlapping
from ingest.watch.window.sensing import Scene
from ingest.watch.window.verdicts import Samples

SAVE_EVERY_MS: Final = 6 * 3_600_000
"""How often a room's standings are saved while nothing turns: what was judged since is judged again when needed."""

NEWS_MS: Final = 86_400_000
"""What was over longer ago than this when it came to light is put down and not told (a day; our choice)."""

BUDGET_S: Final = 0.5
"""How long (real seconds) a round may spend on the past before it leaves the rest to the next one."""

MARK_NAME: Final = "*rules"
_DECIMALS: Final = 9


def judge_rules(work: UnitOfWork, site: Site, *, now_ms: int) -> list[Incident]:
    """Judge every rule that is due, for every sensor it applies to; write what changed.

    now_ms: our clock, UTC. Gives the incidents that opened or closed. Keeps nothing: see `RuleWatch`.
    """
    return RuleWatch(save_every_ms=0).judge(work, site, now_ms=now_ms, budget_s=3600.0)


@dataclass(frozen=True, slots=True)
class Kept:
    """What is remembered of a room's rules.  saved: as last saved, and when.  late: as noted in the store."""

    standings: Mapping[str, Standing]
    saved_ms: int = EVER_MS
    late: Mapping[str, int] = field(default_factory=dict)


class RuleWatch:
    """The rules over one store, with what they remember kept at hand. For one thread at a time, the one that writes."""

    def __init__(self, *, save_every_ms: int = SAVE_EVERY_MS) -> None:
        self._save_every_ms = save_every_ms
        self._kept: dict[str, Kept] = {}
        self._through: dict[str, tuple[str, int]] = {}  # per sensor: its room, and through when a rule has looked at it
        self._mark: object = None

    def judge(self, work: UnitOfWork, site: Site, *, now_ms: int, budget_s: float = BUDGET_S) -> list[Incident]:
        """Judge every rule that is due; as `judge_rules`."""
        self._check_mark(work)
        deadline_s = time.monotonic() + budget_s
        told: dict[str, Incident] = {}
        changed: dict[str, Incident] = {}
        saved = False
        for room in site.rooms:
            kept = self._room(work, site, room.id)
            ruling = _Ruling(work.read, site, room, now_ms, deadline_s)
            after = ruling.judged(kept)
            changed |= ruling.written
            told |= ruling.told
            saved |= self._keep(work, site, room, replace(kept, standings=after), ruling, now_ms)
        if saved:
            self._mark = secrets.token_hex(8)
            work.save_judgement(MARK_NAME, {"mark": self._mark})
        written = incident_book.write(work, site, changed.values(), now_ms=now_ms) if changed else {}
        return incident_book.as_written(told, written)

    def note_late(self, work: UnitOfWork, site: Site, batch: ReadingBatch) -> None:
        """Note what of a batch, which `work` has appended, lies before what a rule has judged."""
        self._check_mark(work)
        late: dict[str, dict[str, int]] = {}
        for sensor, at_ms in arrears.earliest(batch).items():
            through = self._through.get(sensor)
            if through is None:
                found = site.sensor(sensor)
                if found is None or found.room in self._kept:
                    continue
                self._room(work, site, found.room)
                through = self._through.get(sensor, (found.room, EVER_MS))
            if at_ms <= through[1]:
                late.setdefault(through[0], {})[sensor] = at_ms
        for room, sensors in late.items():
            self.note(work, site, room, sensors)

    def note(self, work: UnitOfWork, site: Site, room: str, sensors: Mapping[str, int]) -> None:
        """Note instants of a room's sensors as late."""
        arrears.note(work, arrears.LATE, room, sensors)
        kept = self._room(work, site, room)
        self._kept[room] = replace(kept, late=arrears.noted(work.read, arrears.LATE, room))

    def _room(self, work: UnitOfWork, site: Site, room: str) -> Kept:
        kept = self._kept.get(room)
        if kept is None:
            facts = work.read.judgement(f"{room}/rules")
            found = standings.from_json(facts, lambda key: key.partition(" ")[0] in BY_KEY, work.read.incident)
            kept = Kept(found, late=arrears.noted(work.read, arrears.LATE, room))
            self._kept[room] = kept
            self._note_through(site, room, found)
        return kept

    def _keep(self, work: UnitOfWork, site: Site, room: Room, kept: Kept, ruling: _Ruling, now_ms: int) -> bool:
        """Keep how a room stands; save it where something turned, or where it is time. Says whether it was saved."""
        due = not 0 <= now_ms - kept.saved_ms < self._save_every_ms
        if ruling.looked and (due or ruling.written or ruling.turned):
            work.save_judgement(f"{room.id}/rules", standings.to_json(kept.standings))
            kept = replace(kept, saved_ms=now_ms)
        else:
            due = False
        if ruling.late_done:
            arrears.settle(work, arrears.LATE, room.id)
            kept = replace(kept, late={})
        self._kept[room.id] = kept
        if ruling.looked:
            self._note_through(site, room.id, kept.standings)
        return due or bool(ruling.written) or ruling.turned

    def _note_through(self, site: Site, room: str, found: Mapping[str, Standing]) -> None:
        sensors = site.sensors_of(room)
        air = [sensor.id for sensor in sensors if sensor.place is Place.AIR]
        through = {sensor.id: EVER_MS for sensor in sensors}
        for key, standing in found.items():
            name, _, subject = key.partition(" ")
            entry = BY_KEY[name]
            for sensor in (*((subject,) if entry.reads else ()), *(air if entry.reads_air else ())):
                if sensor in through:
                    through[sensor] = max(through[sensor], standing.through_ms)
        self._through |= {sensor: (room, at_ms) for sensor, at_ms in through.items()}

    def _check_mark(self, work: UnitOfWork) -> None:
        found = (work.read.judgement(MARK_NAME) or {}).get("mark")
        if found != self._mark:
            self._kept.clear()
            self._through.clear()
            self._mark = found


class _Ruling:
    """One room's round.  looked: whether anything was judged.  turned: whether limits or what applies has changed."""

    def __init__(self, read: StoreReader, site: Site, room: Room, now_ms: int, deadline_s: float) -> None:
        self.told: dict[str, Incident] = {}
        self.written: dict[str, Incident] = {}
        self.looked = self.turned = False
        self.late_done = False
        self._read, self._site, self._room, self._now_ms = read, site, room, now_ms
        self._deadline_s = deadline_s
        self._sensors = site.sensors_of(room.id)
        self._air_sensors = tuple(sensor for sensor in self._sensors if sensor.place is Place.AIR)
        self._made_air: Air | None = None
        self._newest: dict[SeriesKey, int] = {}
        self._begins: dict[SeriesKey, int] | None = None

    def judged(self, kept: Kept) -> dict[str, Standing]:
        """Judge what is due; give how all rules stand."""
        was, now = kept.standings, dict[str, Standing]()
        left = False
        for key, entry, sensor, bounds in self._applying():
            standing = was.get(key)
            if standing is None or standing.bounds != bounds:
                self.turned = True
                standing = Standing(bounds) if standing is None else standing.under(bounds)
            late_ms = self._late_ms(entry, sensor, kept.late)
            if late_ms is not None and late_ms <= standing.through_ms:
                if not self._has_time():
                    now[key], left = standing, True
                    continue
                standing = self._again(entry, sensor, standing, late_ms)
            now[key] = self._due(entry, sensor, standing)
        self._end_what_is_gone(was, now)
        self.late_done = bool(kept.late) and not left
        return now

    def _applying(self) -> Iterator[tuple[str, Entry, Sensor, Bounds]]:
        for entry in RULEBOOK:
            sensors = self._sensors if entry.places else (Sensor("", self._room.id),)
            for sensor in sensors:
                if not entry.places or sensor.place in entry.places:
                    bounds = entry.bounds(self._room, sensor)
                    if bounds is not None:
                        yield f"{entry.quantity} {sensor.id}", entry, sensor, bounds

    def _end_what_is_gone(self, was: Mapping[str, Standing], now: Mapping[str, Standing]) -> None:
        for key, standing in was.items():
            if key in now:
                continue
            self.turned = self.looked = True
            if (incident := standing.open_incident) is not None:
                closed_ms = max(self._now_ms, incident.opened_ms)
                self._put(replace(incident, closed_ms=closed_ms, ending=Ending.NO_RULE), told=True)

    def _late_ms(self, entry: Entry, sensor: Sensor, late: Mapping[str, int]) -> int | None:
        if not late:
            return None
        names = {sensor.id} if entry.reads else set()
        if entry.reads_air:
            names |= {one.id for one in self._air_sensors}
        found = [at_ms for name, at_ms in late.items() if name in names]
        # A temperature that comes late can complete what was made of a humidity before it.
        return min(found) - TEMPERATURE_AFTER_MS if found else None

    def _has_time(self) -> bool:
        return not self.looked or time.monotonic() < self._deadline_s

    def _due(self, entry: Entry, sensor: Sensor, standing: Standing) -> Standing:
        """Judge on from where a rule stood, if it is time."""
        if 0 <= self._now_ms - standing.looked_ms < entry.every_s * 1000:
            return standing
        is_first = standing.through_ms == EVER_MS
        if is_first and not self._has_time():
            return standing
        if standing.through_ms > self._now_ms + AGE_MS:
            # Our clock had been ahead: what was judged then orders nothing any more.
            return replace(self._again(entry, sensor, standing, self._now_ms), looked_ms=self._now_ms)
        until_ms = self._ripe_ms(entry, sensor)
        standing = replace(standing, looked_ms=self._now_ms)
        if until_ms <= standing.through_ms:
            return standing
        self.looked = True
        if is_first:
            return self._again(entry, sensor, standing, self._first_ms(entry, sensor))
        found, changes = self._folded(entry, sensor, standing, standing.through_ms + 1, until_ms)
        incident = standing.incident
        for change in changes:
            incident, opened_or_closed = self._followed(entry, sensor, incident, change)
            self._put(incident, told=opened_or_closed)
        if incident is not None and incident.is_open:
            self._put_if_worse(incident, self._weighed(incident, found.state))
        return replace(found, incident=None if incident is None else self.written.get(incident.id, incident))

    def _folded(
        self, entry: Entry, sensor: Sensor, standing: Standing, from_ms: int, until_ms: int
    ) -> tuple[Standing, list[Change]]:
        """Judge the figures of a stretch, both ends in it."""
        marks = standing.marks
        if entry.march is not None:
            figures, marks = entry.march(self._air(), sensor, from_ms, until_ms + 1, marks)
        else:
            assert entry.figure is not None
            figures = entry.figure(self._air(), sensor, from_ms, until_ms + 1)
        calm = list(standing.calm)
        # Sums over stretches cut otherwise may differ in their last bits; what is told must not.
        samples = Samples(figures.at_ms, {FIGURE: figures.value.round(_DECIMALS)})
        state, changes = judge_series(standing.state, samples, entry.rule(standing.bounds), calm)
        first_ms = standing.first_ms
        if first_ms is None and len(samples):
            first_ms = int(samples.at_ms[0])
        state = replace(state, before=None, held={})
        after = replace(
            standing, state=state, through_ms=until_ms, marks=marks, calm=tuple(calm[-CALM_KEPT:]), first_ms=first_ms
        )
        return after, changes

    def _again(self, entry: Entry, sensor: Sensor, standing: Standing, late_ms: int) -> Standing:
        """Judge a rule again from an instant on, and lay what comes of it beside what was there."""
        self.looked = self.turned = True
        from_ms, state, incident = standing.taken_up(late_ms)
        until_ms = max(self._ripe_ms(entry, sensor), min(standing.through_ms, self._now_ms))
        past = tuple(span for span in standing.calm if span[1] <= from_ms)
        first_ms = standing.first_ms if standing.first_ms is not None and standing.first_ms < from_ms else None
        begun = replace(standing, state=state, calm=past, first_ms=first_ms)
        after, changes = self._folded(entry, sensor, begun, from_ms, until_ms)
        made = [] if incident is None else [incident]
        for change in changes:
            incident, _ = self._followed(entry, sensor, incident, change)
            made = [*(one for one in made if one.id != incident.id), incident]
        if incident is not None and incident.is_open:
            made = [*(one for one in made if one.id != incident.id), self._weighed(incident, after.state)]
        return replace(after, incident=self._laid(entry, sensor, standing.anchor, from_ms, made))

    def _laid(
        self, entry: Entry, sensor: Sensor, anchor: Anchor, from_ms: int, made: list[Incident]
    ) -> Incident | None:
        """Lay incidents beside those that were there; give the newest one that stands."""

        def is_it(one: Incident) -> bool:
            same = (one.kind, one.sensor, one.quantity) == (entry.kind, sensor.id, entry.quantity)
            return same and (one.opened_ms > anchor.at_ms or (anchor.incident is not None and one.is_open))

        scene = Scene(self._read, self._site, self._room, self._air_sensors, self._now_ms)
        there = list(overlapping(self._read, self._room.id, from_ms, is_it))
        diff = Diff(scene, there)
        for was, now in matched(there, [self._worded(one) for one in made]):
            diff.lay(was, now)
        self.written |= diff.written
        self.told |= {name: one for name, one in diff.told.items() if is_news(one, self._now_ms)}
        return diff.newest

    def _ripe_ms(self, entry: Entry, sensor: Sensor) -> int:
        """Give through when all that a rule reads has been heard; what is far behind the rest is not waited for."""
        keys = self._keys(entry, sensor)
        new = [key for key in keys if key not in self._newest]
        if new:
            found = self._read.latest(new)
            self._newest |= {key: found[key].at_ms if key in found else EVER_MS for key in new}
        heard = [min(self._newest[key], self._now_ms) for key in keys if self._newest[key] > EVER_MS]
        newest_ms = max(heard, default=EVER_MS if keys else self._now_ms)
        return min((at_ms for at_ms in heard if at_ms >= newest_ms - AGE_MS), default=newest_ms)

    def _first_ms(self, entry: Entry, sensor: Sensor) -> int:
        """Give the first instant of what a rule reads; of all that its room has where it reads nothing."""
        if self._begins is None:
            self._begins = {one.key: one.first_ms for one in self._read.extents()}
        keys = self._keys(entry, sensor)
        wanted = {key.sensor for key in keys} or {one.id for one in self._sensors}
        names = {key.quantity for key in keys}
        found = [
            at_ms
            for key, at_ms in self._begins.items()
            if key.sensor in wanted and (not names or key.quantity in names)
        ]
        return min([*found, self._now_ms])

    def _keys(self, entry: Entry, sensor: Sensor) -> list[SeriesKey]:
        keys = [SeriesKey(sensor.id, name) for name in entry.reads]
        return keys + [SeriesKey(one.id, name) for one in self._air_sensors for name in entry.reads_air]

    def _air(self) -> Air:
        if self._made_air is None:
            plan = from_json(self._read.judgement(self._room.id)).plan
            plan = plan or plan_of(self._room, self._site.time_zone)
            self._made_air = Air(self._read, self._air_sensors, plan, self._room, self._site.time_zone)
        return self._made_air

    def _followed(
        self, entry: Entry, sensor: Sensor, incident: Incident | None, change: Change
    ) -> tuple[Incident, bool]:
        """Give the incident after a change, and whether it opened or closed."""
        after = change.after
        if incident is None or not incident.is_open:
            opened_ms = after.opened_ms or change.at_ms
            identity = incident_id(self._room.id, entry.kind, opened_ms, f"{sensor.id} {entry.quantity}".strip())
            began_ms = after.began_ms or opened_ms
            incident = Incident(identity, self._room.id, sensor.id, entry.kind, began_ms, opened_ms, reason="")
            return _with_worst(incident, entry, after.worst), True
        if after.active:
            return _with_worst(incident, entry, after.worst), False
        worse = _with_worst(incident, entry, change.before.worst)
        over = replace(worse, closed_ms=max(change.at_ms, incident.opened_ms), reason="")
        return self._weighed(over, change.before), True

    def _weighed(self, incident: Incident, state: SensorState) -> Incident:
        """Give an incident with how bad it is, by a state in which it still was."""
        excess_hours = hours(state.excess.get(FIGURE, 0))
        share = 0.0 if state.worst is None else state.worst.share
        return weighed(incident, excess_hours, Weight(share, excess_hours), self._room.rules)

    def _put_if_worse(self, was: Incident, now: Incident) -> None:
        """Put down how bad an open incident is where that differs: its sum grows in steps, so that is seldom."""
        if now != was:
            self._put(now, told=RANK[now.severity] > RANK[was.severity])

    def _worded(self, incident: Incident) -> Incident:
        name = sensor_name(self._site.sensor(incident.sensor), incident.sensor)
        return replace(incident, reason=incident_reason(incident, name, Telling(self._site.time_zone)))

    def _put(self, incident: Incident, *, told: bool) -> None:
        incident = self._worded(incident)
        self.written[incident.id] = incident
        if told or incident.id in self.told:
            self.told[incident.id] = incident


def is_news(incident: Incident, now_ms: int) -> bool:
    """Tell whether an incident of the past is to be told: it goes on, or was over less than a day ago."""
    return incident.closed_ms is None or now_ms - incident.closed_ms < NEWS_MS


def _with_worst(incident: Incident, entry: Entry, worst: Worst | None) -> Incident:
    if worst is None:
        return incident
    return replace(
        incident, quantity=entry.quantity, bound=worst.bound, worst_value=worst.value, worst_at_ms=worst.at_ms
    )
