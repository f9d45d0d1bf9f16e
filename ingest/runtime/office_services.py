"""What an office shows the web application: all sites as one, read from the central engine alone."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from importlib import metadata
from typing import Any, Final

from adapters.contract import Reading
from dashboards.services import (
    Actions,
    AdapterStatus,
    Assigned,
    Assignment,
    CaughtMail,
    DeviceKeyStatus,
    DeviceRight,
    ForwardingStatus,
    News,
    Reach,
    RoomStanding,
    SiteSetup,
    Submitted,
)
from ingest.central.announcements import SiteTold
from ingest.central.series import CentralSeries, joined, room_name, sensor_name
from ingest.clock import Clock
from ingest.errors import RefusedError
from ingest.present import words
from ingest.present.digits import Units
from ingest.runtime.newsboard import NewsBoard
from ingest.runtime.office_watch import OfficeWatch
from ingest.settings.office import OfficeWiring
from ingest.site.handling import Asked, Handling
from ingest.site.incidents import Incident, Notice, NoticeKind, NoticeState, RoomState, Severity
from ingest.site.places import Site
from ingest.site.series import Buckets, Int64s, Sample, Series, SeriesKey, Span
from ingest.store.api import SeriesExtent, Store, StoreReader
from ingest.store.record.incidents import Place
from ingest.store.record.kinds import Noun, RecordKind, Version
from ingest.store.record.records import Entry
from ingest.watch.handling import carry_out

HEARD_FRESH_S: Final = 30.0
"""For how long it is taken as known when each sensor was last reading: asking that is one question per site."""


class OfficeReader:
    """Series from the central engine, records from the office's own store; satisfies `api.StoreReader`."""

    def __init__(self, series: CentralSeries, records: StoreReader, watch: OfficeWatch, office: OfficeWiring) -> None:
        self._series = series
        self._records = records
        self._watch = watch
        self._office = office
        self._joining = threading.Lock()
        self._joined: tuple[object, Site] | None = None

    def site(self) -> Site:
        """Give all sites as one."""
        told = self._watch.told
        with self._joining:
            if self._joined is None or self._joined[0] is not told:
                sites = {site_id: one.site for site_id, one in told.items()}
                self._joined = (told, joined(self._office.name, self._office.time_zone, sites))
            return self._joined[1]

    @property
    def samples_read(self) -> int:
        """How many samples were read from the engine since the start."""
        return self._series.samples_read

    def extents(self) -> list[SeriesExtent]:
        """Give every measured series with its ends and its count."""
        return self._series.extents()

    def read(self, key: SeriesKey, from_ms: int, to_ms: int) -> Series:
        """Give the samples of a stretch."""
        return self._series.read(key, from_ms, to_ms)

    def buckets(self, key: SeriesKey, edges_ms: Int64s) -> Buckets:
        """Give the buckets between edges."""
        return self._series.buckets(key, edges_ms)

    def buckets_of(self, keys: Sequence[SeriesKey], edges_ms: Int64s) -> dict[SeriesKey, Buckets]:
        """Give the buckets of many series between the same edges."""
        return self._series.buckets_of(keys, edges_ms)

    def latest(self, keys: Sequence[SeriesKey]) -> dict[SeriesKey, Sample]:
        """Give the newest sample of each of these series."""
        return self._series.latest(keys)

    def gaps(self, key: SeriesKey, from_ms: int, to_ms: int) -> list[Span]:
        """Give the stretches for which no reading vouches."""
        return self._series.gaps(key, from_ms, to_ms)

    def heard(self) -> Mapping[str, int]:
        """Give the instant of each sensor's newest reading, by the site's clock: when it came here nobody notes."""
        return _Heard(self._series)

    def incidents(
        self,
        *,
        room: str | None = None,
        only_open: bool = False,
        limit: int = 200,
        before_ms: int | None = None,
        after: Place | None = None,
        at_least: Severity | None = None,
    ) -> list[Incident]:
        """Give the office's own incidents: sites that were not heard."""
        return self._records.incidents(
            room=room, only_open=only_open, limit=limit, before_ms=before_ms, after=after, at_least=at_least
        )

    def incidents_begun(self, kinds: Iterable[str], from_ms: int, to_ms: int) -> list[Incident]:
        """Give those of the office's own incidents that began between two instants."""
        return self._records.incidents_begun(kinds, from_ms, to_ms)

    def history(self, kind: str, subject: str = "") -> Sequence[Entry]:
        """Give what the office's own record says of an incident."""
        return self._records.history(kind, subject)

    def record_head(self) -> tuple[int, str]:
        """Give number and hash of the newest entry of the office's own record."""
        return self._records.record_head()

    def incident(self, incident: str) -> Incident | None:
        """Give one of the office's own incidents."""
        return self._records.incident(incident)

    def nouns(
        self, kind: RecordKind[Noun], subjects: Iterable[str] | None = None, *, beginning: str = ""
    ) -> Mapping[str, Noun]:
        """Give where people stand with the office's own incidents."""
        return self._records.nouns(kind, subjects, beginning=beginning)

    def versions(self, kind: RecordKind[Noun], subject: str) -> Sequence[Version[Noun]]:
        """Give every state of a noun of the office's own."""
        return self._records.versions(kind, subject)

    def notices(
        self, *, state: NoticeState | None = None, limit: int = 200, incident: str | None = None
    ) -> list[Notice]:
        """Give the office's own notices."""
        return self._records.notices(state=state, limit=limit, incident=incident)

    def telling_due(self, now_ms: int) -> bool:
        """Say whether something is held back, or waits for somebody to answer, until `now_ms` at the latest."""
        return self._records.telling_due(now_ms)

    def digest_noted(self, channel: str, recipient: str, kind: NoticeKind, day: str) -> bool | None:
        """Say whether the digest of a day was written (True) or left out (False); None where neither."""
        return self._records.digest_noted(channel, recipient, kind, day)

    def sent_lately(self, limit: int) -> list[tuple[int, int]]:
        """Give when the notices that went out last were committed and sent (UTC ms), newest first."""
        return self._records.sent_lately(limit)

    def judgement(self, room: str) -> dict[str, Any] | None:
        """Give nothing: the sites judge their rooms."""
        return None


class _Heard(Mapping[str, int]):
    """When each sensor was last reading, asked of the engine for the sensor's site only when somebody wants to know."""

    def __init__(self, series: CentralSeries) -> None:
        self._series = series

    def __getitem__(self, sensor: str) -> int:
        site_id, _, own = sensor.partition("/")
        return self._series.newest_of(site_id)[own]

    def __iter__(self) -> Any:
        return iter({extent.key.sensor for extent in self._series.extents()})

    def __len__(self) -> int:
        return len(list(iter(self)))


class OfficeServices:
    """The narrow door between the web application and the office; satisfies `dashboards.services.Services`."""

    def __init__(
        self,
        wiring: OfficeWiring,
        clock: Clock,
        reader: OfficeReader,
        watch: OfficeWatch,
        news: NewsBoard,
        store: Store,
    ) -> None:
        self._wiring = wiring
        self._store = store
        self._watch = watch
        self._news = news
        self._started_ms = clock.now_ms()
        self._started_s = clock.monotonic_s()
        self.clock: Clock = clock
        self.read: StoreReader = reader
        self._reader = reader
        self.demo_speed: float | None = None
        self.looks_around = False
        self.actions: Actions | None = None
        self.setup: SiteSetup | None = None
        self.units = Units(wiring.units)

    def site(self) -> Site:
        """Give all sites as one."""
        return self._reader.site()

    def standing(self, room: str) -> RoomStanding:
        """Say how a room stands by its site's own word; of a site that is not heard nobody knows."""
        site_id, _, own = room.partition(".")
        told = self._watch.told.get(site_id)
        if told is None or own not in told.stood:
            return RoomStanding(room, RoomState.UNKNOWN, "Its site has not said yet how it stands.", None)
        silent = tuple(sensor_name(site_id, sensor) for sensor in told.stood[own].silent)
        said = words.instant_near(told.alive_ms, self.clock.now_ms(), self._wiring.time_zone)
        if self._watch.is_silent(site_id):
            reason = f"Nothing is heard from {told.site.name}; it last spoke {said}."
            return RoomStanding(room_name(site_id, own), RoomState.UNKNOWN, reason, told.alive_ms, silent)
        stood = told.stood[own]
        reason = f"{words.STATE_WORDS[stood.state]}, as the site itself said {said}{_late(told)}"
        return RoomStanding(room, stood.state, words.sentence(reason), stood.since_ms, silent)

    def adapters(self) -> Sequence[AdapterStatus]:
        """Say how the engine fares, from which everything here comes."""
        watch, engine = self._watch, self._wiring.central
        return [
            AdapterStatus(
                name="central engine",
                kind=engine.kind,
                describes=f"{engine.for_reading}, sites: {len(watch.told)}",
                state="waiting" if watch.trouble else "running",
                readings=self._reader.samples_read,
                last_heard_ms=watch.looked_ms,
                error=watch.trouble,
            )
        ]

    def forwarding(self) -> ForwardingStatus | None:
        """Give nothing: an office forwards nowhere."""
        return None

    def unassigned_sensors(self) -> Mapping[str, int]:
        """Give nothing: sites deal with strangers."""
        return {}

    def mails(self) -> Sequence[CaughtMail]:
        """Give nothing: an office's mail is sent."""
        return ()

    def push_token_matches(self, token: str) -> bool:
        """Say no: an office takes no readings."""
        return False

    def device_right(self, token: str) -> DeviceRight | None:
        """Give nothing: an office takes no readings."""
        return None

    def device_keys(self) -> Sequence[DeviceKeyStatus]:
        """Give nothing: an office takes no readings."""
        return ()

    async def within_reach(self, *, renew: bool = True, again: bool = False) -> Reach:
        """Give nothing: sites look around themselves."""
        return Reach(False)

    async def assign(self, assignment: Assignment) -> Assigned:
        """Refuse: sensors are assigned at their site. Raises RefusedError."""
        raise RefusedError("an office assigns no sensors", where=assignment.sensor, mend="Do it at the site.")

    async def submit(self, readings: Sequence[Reading], *, source: str) -> Submitted:
        """Refuse: readings go to the site that they belong to. Raises RefusedError."""
        raise RefusedError("an office takes no readings", where=source, mend="Hand them to the site they belong to.")

    async def handle(self, asked: Asked) -> Handling:
        """Do what somebody asks about one of the office's own incidents. Raises RefusedError and StorageError."""
        now_ms = self.clock.now_ms()

        def write() -> Handling:
            with self._store.transaction() as work:
                return carry_out(work, asked, now_ms=now_ms)

        return await asyncio.to_thread(write)

    def news(self) -> AsyncIterator[News]:
        """Follow what changes."""
        return self._news.follow()

    def health(self) -> Mapping[str, object]:
        """Give the office's health as JSON-able figures."""
        watch, clock = self._watch, self.clock
        waiting = self.read.notices(state=NoticeState.WAITING)
        troubles = [watch.trouble] if watch.trouble else []
        troubles += watch.twice()
        troubles += [f"Mail is waiting: {notice.last_error}" for notice in waiting[:1] if notice.last_error]
        if self._wiring.mail is not None and self._wiring.mail.trouble:
            troubles.append(f"Mail cannot go out: {self._wiring.mail.trouble}")
        return {
            "status": "trouble" if troubles else "well",
            "troubles": troubles,
            "version": metadata.version("lumberroom"),
            "started_ms": self._started_ms,
            "uptime_s": round(clock.monotonic_s() - self._started_s, 3),
            "central": {"engine": self._wiring.central.for_reading, "looked_ms": watch.looked_ms},
            "sites": {site_id: _figures(one) for site_id, one in watch.told.items()},
            "outbox": {"waiting": len(waiting)},
            "cautions": list(self._wiring.cautions),
        }


def _late(told: SiteTold) -> str:
    lag_s = told.figures.get("lag_s", 0.0)
    return f"; its readings are {words.duration(lag_s)} behind" if lag_s > HEARD_FRESH_S * 10 else ""


def _figures(told: SiteTold) -> dict[str, object]:
    return {"name": told.site.name, "alive_ms": told.alive_ms, **told.figures}
