"""Notices, as the wiring has them: who is told, by which channel, and the postman that delivers."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal, Protocol

from ingest.clock import Clock
from ingest.notices.outbox import READ_AT_ONCE, Postman, Recipient, enqueue, trial_notice
from ingest.present.digits import Units
from ingest.runtime.wiring import MailWiring, WebhookWiring
from ingest.site.incidents import Incident, NoticeState
from ingest.site.places import Site
from ingest.store.api import Store, UnitOfWork

if TYPE_CHECKING:
    from ingest.notices.channel import Channel, Outcome
    from ingest.notices.compose_store import StoreNews
    from ingest.notices.mail import Composer, MailChannel


class Wired(Protocol):
    """What notices need of a wiring."""

    @property
    def mail(self) -> MailWiring | None:
        """How mail goes out."""
        ...

    @property
    def webhooks(self) -> Sequence[WebhookWiring]:
        """Which web hooks are told."""
        ...

    @property
    def units(self) -> Literal["si", "us"]:
        """What mails show."""
        ...


class Notifying:
    """Puts notices into the outbox, and delivers them where a way to do so is wired."""

    def __init__(self, wiring: Wired, clock: Clock, *, composer: Composer | None = None) -> None:
        """Take what is wired.  composer: writes the mails, where they are not those of a site's own watch."""
        self._mail = wiring.mail
        self._composer = composer
        self._clock = clock
        addresses = wiring.mail.recipients if wiring.mail else ()
        self._hooks = wiring.webhooks
        self._page_address = wiring.mail.page_address if wiring.mail else ""
        self._recipients = [Recipient(address, Units(wiring.units)) for address in addresses]
        self._recipients += [Recipient(hook.name, Units(wiring.units), "webhook") for hook in wiring.webhooks]
        self._postman: Postman | None = None

    def enqueue(self, work: UnitOfWork, incidents: list[Incident], site: Site, now_ms: int) -> None:
        """Put a notice for every recipient into the outbox, in the unit of work of the incidents."""
        enqueue(work, incidents, site, self._recipients, now_ms=now_ms)

    def wake(self) -> None:
        """Say that there may be something new in the outbox."""
        if self._postman is not None:
            self._postman.wake()

    async def run(self, store: Store) -> None:
        """Deliver what is due, until cancelled.

        What had been put off is due at once: whoever started the daemon may just have mended what kept it back.
        """
        await asyncio.to_thread(due_again, store, self._clock.now_ms())
        self._postman = Postman(store, self._clock, self._channels())
        await self._postman.run()

    async def trial(self, site: Site) -> AsyncIterator[tuple[Recipient, Outcome]]:
        """Send everyone who would be told a notice that tells of nothing; give what became of each, one by one."""
        channels = self._channels()
        for recipient in self._recipients:
            notice = trial_notice(site, recipient, now_ms=self._clock.now_ms())
            yield recipient, await channels[recipient.channel].send(notice)

    @property
    def direct_recipients(self) -> tuple[str, ...]:
        """Who is mailed about the store itself."""
        return self._mail.recipients if self._mail is not None else ()

    async def directly(self, news: StoreNews, recipient: str) -> Outcome:
        """Mail somebody about the store itself, which cannot keep a notice first."""
        from ingest.notices.channel import Later, Refused
        from ingest.notices.compose_store import compose_store

        if self._mail is None:
            return Refused("no mail is wired")
        channel = _mail_channel(self._mail, self._composer)
        if channel.settings.trouble:
            return Later(channel.settings.trouble, way_closed=True)
        try:
            message = compose_store(
                news, recipient=recipient, sender=self._mail.sender, page_address=self._mail.page_address
            )
        except ValueError as error:
            return Refused(f"The mail could not be written: {error}. Mend the address in the wiring file.")
        return await channel.deliver(message)

    def _channels(self) -> dict[str, Channel]:
        channels: dict[str, Channel] = {}
        if self._mail is not None:
            channels["mail"] = _mail_channel(self._mail, self._composer)
        if self._hooks:
            channels["webhook"] = _webhook_channel(self._hooks, self._page_address)
        return channels

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        hooks = {hook.name: hook.trouble for hook in self._hooks}
        if self._mail is None:
            return {"wired": False, "webhooks": hooks}
        recipients, trouble = len(self._mail.recipients), self._mail.trouble
        return {"wired": True, "recipients": recipients, "trouble": trouble, "webhooks": hooks}


def due_again(store: Store, now_ms: int) -> int:
    """Make every notice that had been put off due now; give how many there were. Blocks.  Raises StorageError."""
    waiting = store.read.notices(state=NoticeState.WAITING, limit=READ_AT_ONCE)
    put_off = [replace(notice, due_ms=now_ms) for notice in waiting if notice.due_ms > now_ms]
    if put_off:
        with store.transaction() as work:
            for notice in put_off:
                work.update_notice(notice)
    return len(put_off)


def _mail_channel(mail: MailWiring, composer: Composer | None) -> MailChannel:
    from ingest.notices.compose import compose
    from ingest.notices.mail import MailChannel, MailSettings

    settings = MailSettings(
        server=mail.server,
        sender=mail.sender,
        port=mail.port,
        security=mail.security,
        login=mail.login,
        password=mail.password,
        ca_file=mail.ca_file,
        page_address=mail.page_address,
        trouble=f"Mail cannot go out: {mail.trouble}" if mail.trouble else "",
    )
    return MailChannel(settings, composer or compose)


def _webhook_channel(hooks: Sequence[WebhookWiring], page_address: str) -> Channel:
    from ingest.notices.webhook import WebhookChannel, WebhookSettings

    return WebhookChannel(
        {
            hook.name: WebhookSettings(
                name=hook.name,
                address=hook.address,
                secret=hook.secret or "",
                ca_file=hook.ca_file,
                page_address=page_address,
                trouble=f"The web hook {hook.name} cannot be used: {hook.trouble}" if hook.trouble else "",
            )
            for hook in hooks
        }
    )
