"""What the daemon shows the web application (it satisfies `dashboards.services.Services`)."""

from __future__ import annotations

import hmac
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
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
from ingest.clock import Clock, plainly_wrong
from ingest.present.digits import Units
from ingest.runtime.assigning import Assigner
from ingest.runtime.fitness import failings
from ingest.runtime.intake import Intake
from ingest.runtime.keybook import KeyBook
from ingest.runtime.live_job import LiveJob
from ingest.runtime.newsboard import NewsBoard
from ingest.runtime.notifying import REFUSED_KEPT_MS
from ingest.runtime.reach import Looking
from ingest.runtime.supervisor import Supervisor
from ingest.settings.wiring import Wiring
from ingest.site.handling import Asked, Handling
from ingest.site.incidents import Incident, NoticeState
from ingest.site.places import Site
from ingest.store.api import Store, StoreReader
from ingest.watch import standing
from ingest.watch.handling import carry_out
from ingest.watch.window.plan import AsOf

Figures = Callable[[], Mapping[str, object]]

FORWARDING_LATE_S: Final = 3600.0
"""A central engine may be away for so long before the site itself is not well: its own watch needs no engine."""


def no_mails() -> Sequence[CaughtMail]:
    """Give no mails: a real site catches none."""
    return ()


@dataclass(slots=True)
class Parts:
    """What the services speak for.

    round_age_s: real seconds since a round of looking for silence was finished.  figures: further sections of the
    health, by name.
    """

    wiring: Wiring
    clock: Clock
    store: Store
    live: LiveJob
    intake: Intake
    keys: KeyBook
    supervisor: Supervisor
    looking: Looking
    assigner: Assigner
    news: NewsBoard
    round_age_s: Callable[[], float]
    figures: dict[str, Figures]
    store_faults: Callable[[], Sequence[str]]
    forwarding: Callable[[], ForwardingStatus] | None = None
    demo_speed: float | None = None
    mails: Callable[[], Sequence[CaughtMail]] = no_mails
    actions: Actions | None = None


class DaemonServices:
    """The narrow door between the web application and the daemon."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._as_of = AsOf()
        self._started_ms = parts.clock.now_ms()
        self._started_s = parts.clock.monotonic_s()
        self.clock: Clock = parts.clock
        self.read: StoreReader = parts.store.read
        self.demo_speed: float | None = parts.demo_speed
        self.looks_around: bool = parts.demo_speed is None
        self.units = Units(parts.wiring.units)
        self.actions: Actions | None = parts.actions
        self.setup: SiteSetup | None = parts.live

    def site(self) -> Site:
        """Give the job as it stands, each room with the window that holds now."""
        return self._as_of(self._parts.live.site, self.clock.now_ms())

    def standing(self, room: str) -> RoomStanding:
        """Say how a room stands towards its window. Reads the store: not for the event loop."""
        found = standing.standing(self.read, self.site(), room, now_ms=self.clock.now_ms(), units=self.units)
        return RoomStanding(found.room, found.state, found.reason, found.since_ms, found.silent)

    def adapters(self) -> Sequence[AdapterStatus]:
        """Say how each adapter fares."""
        refused = self._parts.intake.rejected_of
        return [adapter.status(refused(adapter.wiring.name)) for adapter in self._parts.supervisor.adapters]

    def unassigned_sensors(self) -> Mapping[str, int]:
        """Give sensors that were heard but belong to no room, with when they were last reading (UTC ms)."""
        return self._parts.intake.unassigned_sensors()

    def mails(self) -> Sequence[CaughtMail]:
        """Give the mails that the demonstration caught; empty on a real site."""
        return self._parts.mails()

    def forwarding(self) -> ForwardingStatus | None:
        """Say how forwarding to a central engine fares; None where none is wired."""
        return self._parts.forwarding() if self._parts.forwarding else None

    def push_token_matches(self, token: str) -> bool:
        """Say whether a bearer token may push readings (compared in constant time); always False where none is set."""
        expected = self._parts.wiring.page.push_token
        return expected is not None and hmac.compare_digest(token.encode(), expected.encode())

    def device_right(self, token: str) -> DeviceRight | None:
        """Give what a device may do by this key, and note that it was used. Reads the store: not for the event loop."""
        return self._parts.keys.right(token)

    def device_keys(self) -> Sequence[DeviceKeyStatus]:
        """Give the keys of devices, those that hold first. Reads the store: not for the event loop."""
        return self._parts.keys.listed()

    async def within_reach(self, *, renew: bool = True, again: bool = False) -> Reach:
        """Say what is within reach, and go on looking for a while."""
        looking = self._parts.looking
        if renew and self.looks_around:
            await looking.renew(again=again)
        return looking.report()

    async def assign(self, assignment: Assignment) -> Assigned:
        """Make what is within reach a sensor of a room."""
        return await self._parts.assigner.assign(assignment)

    async def submit(self, readings: Sequence[Reading], *, source: str) -> Submitted:
        """Check and store readings; returns once they are durable. Raises StorageError when they could not be."""
        return await self._parts.intake.submit(readings, source)

    async def handle(self, asked: Asked) -> Handling:
        """Do what somebody asks about an incident; returns once it stands in the record.

        Raises RefusedError where it cannot be, StorageError when it could not be written.
        """
        done: list[Handling] = []
        store, now_ms = self._parts.store, self.clock.now_ms()

        def write() -> list[Incident]:
            with store.transaction() as work:
                done.append(carry_out(work, asked, now_ms=now_ms))
                found = work.read.incident(asked.incident)
            return [] if found is None else [found]

        await self._parts.intake.write(write)
        return done[0]

    def news(self) -> AsyncIterator[News]:
        """Follow what changes."""
        return self._parts.news.follow()

    def health(self) -> Mapping[str, object]:
        """Give the daemon's health as JSON-able figures. Reads the store: not for the event loop.

        status: "failing" while the daemon cannot do its job (`ingest.runtime.fitness`), "trouble" while something else
        is wrong, "well" otherwise.  troubles: all of it, a sentence each, failings first.
        """
        adapters, outbox = self.adapters(), self._outbox()
        figures: dict[str, object] = {name: dict(of()) for name, of in self._parts.figures.items()}
        intake = self._parts.intake
        failing = failings(intake.health, waited_s=intake.waited_s(), round_age_s=self._parts.round_age_s())
        troubles = [*failing, *self._troubles(), *(f"{a.name}: {a.error}" for a in adapters if a.error)]
        if outbox["last_error"]:
            troubles.append(f"Alerts are waiting: {outbox['last_error']}")
        if outbox["refused"]:
            many = "1 alert was" if outbox["refused"] == 1 else f"{outbox['refused']} alerts were"
            troubles.append(
                f"{many} refused for good, and reached nobody that way: {outbox['refused_error']} "
                "When that is mended, restart the daemon: it sends them again."
            )
        return {
            "status": "failing" if failing else "trouble" if troubles else "well",
            "troubles": troubles,
            "version": metadata.version("lumberroom"),
            "started_ms": self._started_ms,
            "uptime_s": round(self.clock.monotonic_s() - self._started_s, 3),
            "store": intake.health.as_figures(),
            "adapters": [_adapter_figures(status) for status in adapters],
            "outbox": outbox,
            "cautions": list(self._parts.wiring.cautions),
            **figures,
        }

    def _troubles(self) -> list[str]:
        """Give what went wrong with the store, the judging and the mail, a sentence each."""
        intake, mail = self._parts.intake.health, self._parts.wiring.mail
        troubles = []
        if wrong := plainly_wrong(self.clock.now_ms()):
            troubles.append(wrong)
        if intake.given_up:
            troubles.append(f"{intake.given_up} readings were lost: the store could not be written for too long.")
        if intake.judging_failures and not intake.judging_error:
            troubles.append("Readings were stored without being judged: a fault in lumberroom; the log has the trace.")
        troubles += self._parts.store_faults()
        forwarding = self.forwarding()
        if forwarding is not None and forwarding.lag_s > FORWARDING_LATE_S:
            troubles.append(f"Nothing has reached the central engine for long: {forwarding.error}")
        if mail is not None and mail.trouble:
            troubles.append(f"Mail cannot go out: {mail.trouble}")
        hooks = self._parts.wiring.webhooks
        troubles += [f"The web hook {hook.name} cannot be used: {hook.trouble}" for hook in hooks if hook.trouble]
        return troubles

    def _outbox(self) -> dict[str, object]:
        waiting = self.read.notices(state=NoticeState.WAITING)
        lately_ms = self.clock.now_ms() - REFUSED_KEPT_MS  # older ones are told by their incidents alone
        refused = [one for one in self.read.notices(state=NoticeState.REFUSED) if one.created_ms >= lately_ms]
        last_error = next((notice.last_error for notice in reversed(waiting) if notice.last_error), "")
        held = self.read.notices(state=NoticeState.HELD)
        return {
            "waiting": len(waiting),
            "held": len(held),
            "refused": len(refused),
            "last_error": last_error,
            "refused_error": refused[-1].last_error if refused else "",
        }


def _adapter_figures(status: AdapterStatus) -> dict[str, Any]:
    return asdict(status) | {"rejected": dict(status.rejected)}
