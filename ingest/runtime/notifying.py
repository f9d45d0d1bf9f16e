"""Notices, as the wiring has them: who is told, by which ways, the rounds of telling and the postman that delivers."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal, Protocol

import structlog

from ingest.clock import Clock
from ingest.errors import StorageError
from ingest.notices import digests, rounds
from ingest.notices.links import Links, key_of
from ingest.notices.outbox import enqueue, trial_notice
from ingest.notices.postman import READ_AT_ONCE, Postman
from ingest.notices.recipients import Recipient
from ingest.present.digits import Units
from ingest.runtime.action_desk import ActionDesk, Write
from ingest.runtime.tasks import Failures, keep
from ingest.runtime.ways import Ways, channels_of, mail_channel
from ingest.settings.wiring import PageWiring
from ingest.site.incidents import Incident, NoticeState
from ingest.site.places import Site
from ingest.store.api import Store, UnitOfWork

if TYPE_CHECKING:
    from ingest.notices.channels.channel import Channel, Outcome
    from ingest.notices.channels.mail import Composer
    from ingest.notices.letters.compose_store import StoreNews

ROUND_EVERY_S: Final = 5.0
"""How often is looked whether something is to be told later; only where there is, anything is written."""

REFUSED_KEPT_MS: Final = 7 * 86_400_000
"""What was refused for good within so long is tried again at a start: the server may just have been mended."""

DIGEST_EVERY_S: Final = 60.0

_log = structlog.get_logger("lumberroom.notices")


class Wired(Ways, Protocol):
    """What notices need of a wiring."""

    @property
    def page(self) -> PageWiring:
        """Where the page is, and where the world reaches it."""
        ...

    @property
    def units(self) -> Literal["si", "us"]:
        """What mails show."""
        ...


class Notifying:
    """Puts notices into the outbox, and delivers them where a way to do so is wired."""

    def __init__(
        self,
        wiring: Wired,
        clock: Clock,
        *,
        composer: Composer | None = None,
        site: Callable[[], Site | None] = lambda: None,
        failures: Failures | None = None,
    ) -> None:
        """Take what is wired.

        composer: writes the mails, where they are not those of a site's own watch.  site: the job as it stands, for
        digests and for who is told later; None where there is none.  failures: is told what a part of this died of.
        """
        self._wiring = wiring
        self._composer = composer
        self._clock = clock
        self._site = site
        self._failures = failures
        self.recipients = recipients_of(wiring)
        self._postman: Postman | None = None
        self._trouble = ""
        self._seen_to: set[tuple[str, int]] = set()  # quiet that is over, and was told; only spares needless writes
        self.links: Links | None = None

    def enqueue(self, work: UnitOfWork, incidents: list[Incident], site: Site, now_ms: int) -> None:
        """Put a notice for every recipient into the outbox, in the unit of work of the incidents."""
        enqueue(work, incidents, site, self.recipients, now_ms=now_ms)

    def wake(self) -> None:
        """Say that there may be something new in the outbox."""
        if self._postman is not None:
            self._postman.wake()

    async def run(self, store: Store) -> None:
        """Deliver what is due, until cancelled.

        What had been put off is due at once: whoever started the daemon may just have mended what kept it back.
        """
        now_ms = self._clock.now_ms()
        await asyncio.to_thread(self.withdraw_struck, store)
        await asyncio.to_thread(due_again, store, now_ms)
        await asyncio.to_thread(self.send_refused_again, store, now_ms, since_ms=now_ms - REFUSED_KEPT_MS)
        await self.open_links()
        self._postman = Postman(store, self._clock, self._channels(store))
        # Each a boundary of its own: a digest that cannot be written must not end a mail that is under way.
        parts = {
            "postman": self._postman.run,
            "rounds of telling": lambda: self._rounds(store),
            "digests": lambda: self._digests(store),
        }
        async with asyncio.TaskGroup() as together:
            for name, work in parts.items():
                together.create_task(keep(name, work, self._clock, self._failures), name=name)

    async def drain(self) -> None:
        """Begin nothing more, and return when what is under way has come to its end."""
        if self._postman is not None:
            await self._postman.drain()

    def send_refused_again(self, store: Store, now_ms: int, *, since_ms: int = 0) -> int:
        """Make every alert due again that was refused for good, committed at `since_ms` or later; give how many.

        Blocks.  Raises StorageError.
        """
        refused = store.read.notices(state=NoticeState.REFUSED, limit=READ_AT_ONCE)
        again = [
            replace(one, state=NoticeState.WAITING, due_ms=now_ms) for one in refused if one.created_ms >= since_ms
        ]
        if again:
            with store.transaction() as work:
                for notice in again:
                    work.update_notice(notice)
        return len(again)

    def withdraw_struck(self, store: Store) -> int:
        """Withdraw what waits for somebody who is not wired any more; give how much that was. Blocks."""
        wired = {one.key for one in self.recipients}
        struck = [
            replace(one, state=NoticeState.WITHDRAWN, last_error="Nobody of that address is told any more.")
            for state in (NoticeState.WAITING, NoticeState.HELD, NoticeState.REFUSED)
            for one in store.read.notices(state=state, limit=READ_AT_ONCE)
            if (one.channel, one.recipient) not in wired and one.incident  # an office's own letters have no incident
        ]
        if struck:
            with store.transaction() as work:
                for notice in struck:
                    work.update_notice(notice)
            _log.info("alerts for who is not told any more are withdrawn", count=len(struck))
        return len(struck)

    async def open_links(self) -> None:
        """Get the key for links ready; without it notices go out without links."""
        try:
            key = await asyncio.to_thread(key_of, self._wiring.data_directory)
        except StorageError as error:
            self._trouble = str(error)
            _log.error("notices go out without links", error=str(error))
            return
        self.links = Links(key, self._wiring.page.public_address)

    def desk(self, store: Store, write: Write, site: Callable[[], Site]) -> ActionDesk:
        """Give what signed links can do.  write: runs a piece of writing between others."""
        address = self._wiring.page.public_address
        return ActionDesk(lambda: self.links, store, site, self._clock, write, public_address=address)

    async def trial(self, site: Site) -> AsyncIterator[tuple[Recipient, Outcome]]:
        """Send everyone who would be told a notice that tells of nothing; give what became of each, one by one."""
        channels = self._channels(None)
        for recipient in self.recipients:
            notice = trial_notice(site, recipient, now_ms=self._clock.now_ms())
            yield recipient, await channels[recipient.channel].send(notice)

    @property
    def direct_recipients(self) -> tuple[str, ...]:
        """Who is mailed about the store itself."""
        return tuple(one.address for one in self.recipients if one.channel == "mail")

    async def directly(self, news: StoreNews, recipient: str) -> Outcome:
        """Mail somebody about the store itself, which cannot keep a notice first."""
        from ingest.notices.channels.channel import Later, Refused
        from ingest.notices.letters.compose_store import compose_store
        from ingest.notices.letters.writing import Writer

        mail = self._wiring.mail
        if mail is None:
            return Refused("no mail is wired")
        channel = mail_channel(mail, Writer(mail.page_address), self._composer)
        if channel.settings.trouble:
            return Later(channel.settings.trouble, way_closed=True)
        try:
            message = compose_store(news, recipient=recipient, sender=mail.sender, page_address=mail.page_address)
        except ValueError as error:
            return Refused(f"The mail could not be written: {error}. Mend the address in the settings file.")
        return await channel.deliver(message)

    def _channels(self, store: Store | None) -> dict[str, Channel]:
        return channels_of(self._wiring, self.links, store, self._composer)

    async def _rounds(self, store: Store) -> None:
        while True:
            try:
                numbers = await asyncio.to_thread(self._look_round, store, self._clock.now_ms())
            except StorageError as error:
                _log.error("what is to be told later cannot be read or written", error=str(error))
            else:
                if numbers:
                    self.wake()
            await self._clock.sleep(ROUND_EVERY_S)

    def _look_round(self, store: Store, now_ms: int) -> list[int]:
        """Tell what is due; nothing is written where nothing is. Blocks."""
        quiet_over = {(incident.id, until_ms) for incident, until_ms in rounds.quiet_over(store.read, now_ms)}
        if not store.read.telling_due(now_ms) and quiet_over <= self._seen_to:
            return []
        site = self._site() or Site("")
        with store.transaction() as work:
            numbers = rounds.look_round(work, site, self.recipients, now_ms=now_ms)
        self._seen_to = quiet_over
        return numbers

    async def _digests(self, store: Store) -> None:
        while True:
            try:
                if await asyncio.to_thread(self.write_digests, store, self._clock.now_ms()):
                    self.wake()
            except StorageError as error:
                _log.error("a digest cannot be written", error=str(error))
            await self._clock.sleep(DIGEST_EVERY_S)

    def write_digests(self, store: Store, now_ms: int) -> list[int]:
        """Write the digests that are due; give the notices' numbers. Blocks.  Raises StorageError."""
        site = self._site()
        if site is None:
            return []
        numbers = []
        for due in digests.pending(store.read, self.recipients, site.time_zone, now_ms):
            facts = digests.gather(store.read, site, due, now_ms)
            with store.transaction() as work:
                number = digests.put(work, due, facts, now_ms)
            numbers += [] if number is None else [number]
        return numbers

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        wiring = self._wiring
        figures: dict[str, object] = {
            "wired": wiring.mail is not None,
            "webhooks": {hook.name: hook.trouble for hook in wiring.webhooks},
            "recipients": len(self.recipients),
            "links_trouble": self._trouble,
            "late": self._postman.lateness.as_figures() if self._postman else None,
        }
        return figures if wiring.mail is None else figures | {"trouble": wiring.mail.trouble}


def recipients_of(wiring: Wired) -> list[Recipient]:
    """Give everybody who is told: those listed one by one, and all others that are only named, who are told all."""
    listed = list(wiring.telling.recipients)
    keys = {one.key for one in listed}
    units = Units(wiring.units)
    named = [
        Recipient(address, units, most_per_hour=wiring.mail.most_per_hour if wiring.mail else None)
        for address in (wiring.mail.recipients if wiring.mail else ())
    ]
    named += [Recipient(hook.name, units, "webhook") for hook in wiring.webhooks]
    named += [Recipient(broker.name, units, "publish") for broker in wiring.telling.brokers]
    named += [Recipient(command.name, units, "command") for command in wiring.telling.commands]
    return [*(one for one in named if one.key not in keys), *listed]


def due_again(store: Store, now_ms: int) -> int:
    """Make every notice that had been put off due now; give how many there were. Blocks.  Raises StorageError."""
    waiting = store.read.notices(state=NoticeState.WAITING, limit=READ_AT_ONCE)
    put_off = [replace(notice, due_ms=now_ms) for notice in waiting if notice.due_ms > now_ms]
    if put_off:
        with store.transaction() as work:
            for notice in put_off:
                work.update_notice(notice)
    return len(put_off)
