"""What an office knows: which sites there are, how they stand by their own word, and who is not heard. Blocks.

A site is heard when what it says of itself (`ingest.central.announcements`) changes between two looks of ours: by our
clock, whatever the site's own says. While the engine cannot be asked, no site is judged; the engine itself is watched
like a site. Which sites there are, and who was silent, is kept in the office's own store: a site that is off is still
a site after a restart.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final, cast

import structlog

from ingest.central.announcements import SiteTold, hear
from ingest.central.engine import Engine, EngineError
from ingest.clock import Clock
from ingest.notices.letters.compose_site import ENGINE, TWICE, reason
from ingest.runtime.notifying import Notifying
from ingest.site.actor import Actor
from ingest.site.incidents import Incident
from ingest.site.places import Place, Room, Sensor, Site
from ingest.store.api import StoreReader, UnitOfWork
from ingest.store.record.plain import from_plain, to_plain
from ingest.store.sqlite_store import SqliteStore
from ingest.store.unit_of_work import SqliteUnitOfWork
from ingest.watch.reasons import Telling
from ingest.watch.rounds import judge_silence
from ingest.watch.silence import LISTENING_BREAK_MS

NAME: Final = "office"
ENGINE_NAME: Final = "The central engine"
FIRST_LOOK_MS: Final = 32 * 86_400_000
USUAL_LOOK_MS: Final = 2 * 3_600_000
AHEAD_MS: Final = 86_400_000
"""How far ahead of our clock a site's own may be and still be seen."""

HEARD_NAME: Final = "office heard"
KEEP_EVERY_MS: Final = 300_000

AT_ONCE_MS: Final = 300_000
"""Two stores that were both heard within this time speak at once: each of them speaks every minute."""

TWICE_AFTER_S: Final = 600.0
"""For how long two stores must speak at once, at least: whether it is one or two, a start knows after `AT_ONCE_MS`
only, and a computer that takes another one's place speaks beside what that one said last."""

_log = structlog.get_logger("lumberroom.office")


class OfficeWatch:
    """Listens to an engine and judges who is silent. For one thread at a time; what it shows is for any."""

    def __init__(
        self, store: SqliteStore, engine: Engine, clock: Clock, notifying: Notifying, site: Site,
        offline_after_s: float,
        *, forget: frozenset[str] = frozenset(),
    ) -> None:  # fmt: skip
        """Take the parts.  site: the office itself (name and zone).  forget: sites that are no more."""
        self._store = store
        self._engine = engine
        self._clock = clock
        self._notifying = notifying
        self._site = site
        self._silent_after_s = offline_after_s
        self._forget = forget
        self._heard: dict[str, int] = {}
        self._spoke: dict[str, int] = {}  # what each site said last, by its own clock, since this start
        self._stores: dict[tuple[str, str], int] = {}  # the same of each store under a site's id
        self._stores_heard: dict[tuple[str, str], int] = {}  # when by our clock
        self._first_look_ms: int | None = None
        self._judged_ms: int | None = None
        self._missed_a_look = False
        self._looked = False
        self._saved_ms: int | None = None
        self._take_up()
        self.told: Mapping[str, SiteTold] = self._remembered()
        self.trouble = ""
        self.looked_ms: int | None = None

    def look(self) -> list[Incident]:
        """Ask the engine what the sites say, judge silence, and give the incidents that opened or closed.

        Raises StorageError. An engine that cannot be asked is no error: it is noted, and told when it lasts.
        """
        now_ms = self._clock.now_ms()
        back_ms = USUAL_LOOK_MS if self._looked else FIRST_LOOK_MS
        try:
            told = hear(self._engine, now_ms - back_ms, now_ms + AHEAD_MS)
        except EngineError as error:
            if self.trouble != str(error):
                _log.warning("the central engine cannot be asked", reason=str(error))
            self.trouble, self._missed_a_look = str(error), True
        else:
            self.trouble, self._looked, self.looked_ms = "", True, now_ms
            self._heard[ENGINE] = now_ms
            self._take(told, now_ms)
        return self._judge(now_ms)

    def is_silent(self, site_id: str) -> bool:
        """Say whether an incident is open about a site."""
        return any(incident.room == site_id for incident in self._store.read.incidents(only_open=True, limit=10_000))

    def twice(self) -> list[str]:
        """Say, a sentence each, which sites' ids are used by two sites at once."""
        open_ones = self._store.read.incidents(only_open=True, limit=10_000)
        return [incident.reason for incident in open_ones if incident.room.endswith(TWICE)]

    def _take(self, told: Mapping[str, SiteTold], now_ms: int) -> None:
        known = {site_id: one for site_id, one in self.told.items() if site_id not in self._forget}
        for site_id, one in told.items():
            if site_id in self._forget:
                continue
            # What we meet first, after a start, may have been said long ago: only what is new since then is heard now.
            if self._spoke.get(site_id, one.alive_ms) != one.alive_ms:
                self._heard[site_id] = now_ms
            self._spoke[site_id] = one.alive_ms
            known[site_id] = one
            self._take_stores(site_id, one, now_ms)
        self._first_look_ms = now_ms if self._first_look_ms is None else self._first_look_ms
        self._note_single(known, now_ms)
        changed = {site_id: one.site for site_id, one in known.items()} != {i: o.site for i, o in self.told.items()}
        self.told = known
        if changed:
            self._remember()

    def _take_stores(self, site_id: str, one: SiteTold, now_ms: int) -> None:
        """Note which stores speak under a site's id: as long as it is one at a time, all is well with that."""
        for store, alive_ms in one.stores.items():
            if self._stores.get((site_id, store), alive_ms) != alive_ms:
                self._stores_heard[site_id, store] = now_ms
            self._stores[site_id, store] = alive_ms

    def _note_single(self, site_ids: Iterable[str], now_ms: int) -> None:
        """Note under which ids no more than one store speaks; a restart does not know until it listened for a while."""
        if self._first_look_ms is None or now_ms - self._first_look_ms <= AT_ONCE_MS:
            return
        lately = Counter(site_id for (site_id, _), at_ms in self._stores_heard.items() if now_ms - at_ms <= AT_ONCE_MS)
        self._heard.update({site_id + TWICE: now_ms for site_id in site_ids if lately[site_id] < 2})

    def _judge(self, now_ms: int) -> list[Incident]:
        """Judge the engine always, the sites only while we have been listening to them."""
        names = {site_id: one.site.name for site_id, one in self.told.items()}
        sites = self._watched(names, {site_id + TWICE: f'"{site_id}"' for site_id in names})
        with self._store.transaction() as work:
            engine = self._watched({ENGINE: ENGINE_NAME})
            incidents = self._silences(work, engine, now_ms)
            if not self.trouble and self._may_judge(now_ms):
                incidents += self._silences(work, sites, now_ms)
                self._judged_ms, self._missed_a_look = now_ms, False
            self._keep_heard(work, now_ms)
        return incidents

    def _keep_heard(self, work: SqliteUnitOfWork, now_ms: int) -> None:
        """Keep who was heard when, every few minutes, for an office that is started again within moments."""
        if self._saved_ms is not None and 0 <= now_ms - self._saved_ms < KEEP_EVERY_MS:
            return
        self._saved_ms = now_ms
        work.save_forwarding(HEARD_NAME, {"at_ms": now_ms, "heard": self._heard, "spoke": self._spoke})

    def _take_up(self) -> None:
        """Go on from what was kept, where that was a moment ago: the watch goes on listening then, and must know to
        what. After a longer time it begins to listen anew, and what a site says first may have been said long ago."""
        saved = self._store.read.forwarding(HEARD_NAME)
        if saved is not None and 0 <= self._clock.now_ms() - saved["at_ms"] <= LISTENING_BREAK_MS:
            self._heard, self._spoke = dict(saved["heard"]), dict(saved["spoke"])

    def _silences(self, work: UnitOfWork, sites: Site, now_ms: int) -> list[Incident]:
        """Judge who is silent, write it, and put notices into the outbox."""
        listening = _SiteWork(work, self._heard, sites)
        found = judge_silence(cast(UnitOfWork, listening), sites, now_ms=now_ms)
        incidents = [listening.in_words(incident) for incident in found]
        self._notifying.enqueue(work, incidents, sites, now_ms)
        return incidents

    def _may_judge(self, now_ms: int) -> bool:
        # After a look that failed, so much time must pass that the watch itself begins to listen anew: what nobody
        # could hear is no silence.
        if not self._missed_a_look or self._judged_ms is None:
            return True
        return now_ms - self._judged_ms > LISTENING_BREAK_MS

    def _watched(self, names: Mapping[str, str], single: Mapping[str, str] | None = None) -> Site:
        """Give sites as the watch sees them: each a room with one thing that should be heard.

        names: of the sites.  single: of what is heard as long as one site at a time speaks under an id.
        """
        after_s = dict.fromkeys(names, self._silent_after_s)
        after_s |= dict.fromkeys(single or {}, max(self._silent_after_s, TWICE_AFTER_S))
        named = {**names, **(single or {})}
        rooms = tuple(Room(site_id, name) for site_id, name in named.items())
        sensors = tuple(Sensor(one, one, Place.OUTDOORS, name, after_s[one]) for one, name in named.items())
        return replace(self._site, rooms=rooms, sensors=sensors)

    def _remember(self) -> None:
        plain = {site_id: {"site": to_plain(one.site), "alive_ms": one.alive_ms} for site_id, one in self.told.items()}
        with self._store.transaction() as work:
            work.save_forwarding(NAME, {"sites": plain})

    def _remembered(self) -> dict[str, SiteTold]:
        saved = self._store.read.forwarding(NAME) or {"sites": {}}
        return {
            site_id: SiteTold(from_plain(Site, one["site"]), one["alive_ms"])
            for site_id, one in saved["sites"].items()
            if site_id not in self._forget
        }


class _SiteWork:
    """A unit of work in which what is heard is whole sites, and incidents are told in an office's words."""

    def __init__(self, work: UnitOfWork, heard: Mapping[str, int], sites: Site) -> None:
        self._work = work
        self._sites = sites
        self.read = _SiteReader(work.read, heard)

    def put_incident(self, incident: Incident, *, at_ms: int, by: Actor) -> None:
        """Write an incident in an office's words."""
        self._work.put_incident(self.in_words(incident), at_ms=at_ms, by=by)

    def in_words(self, incident: Incident) -> Incident:
        """Give the incident with a reason that speaks of a site."""
        room, telling = self._sites.room(incident.room), Telling(self._sites.time_zone)
        began, closed = telling.at(incident.began_ms), telling.at(incident.closed_ms)
        name = room.title if room else incident.room
        twice = incident.room.endswith(TWICE)
        return replace(incident, reason=reason(name, incident.is_open, began, closed, twice=twice))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._work, name)


class _SiteReader:
    """A reader to which whole sites are what is heard."""

    def __init__(self, read: StoreReader, heard: Mapping[str, int]) -> None:
        self._read = read
        self._heard = heard

    def heard(self) -> Mapping[str, int]:
        """Give when each site was last reading, by our clock."""
        return self._heard

    def __getattr__(self, name: str) -> Any:
        return getattr(self._read, name)
