"""The ways by which people are told, made from the wiring; each loaded only where it is wired."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from ingest.settings.wiring import MailWiring, TellingWiring, WebhookWiring
from ingest.store.api import Store

if TYPE_CHECKING:
    from ingest.notices.channels.channel import Channel
    from ingest.notices.channels.mail import Composer, MailChannel
    from ingest.notices.letters.writing import Writer
    from ingest.notices.links import Links


class Ways(Protocol):
    """What the ways need of a wiring."""

    @property
    def mail(self) -> MailWiring | None:
        """How mail goes out."""
        ...

    @property
    def webhooks(self) -> Sequence[WebhookWiring]:
        """The web hooks."""
        ...

    @property
    def telling(self) -> TellingWiring:
        """Brokers and commands."""
        ...

    @property
    def path(self) -> Path | None:
        """The settings file, None where there is none."""
        ...

    @property
    def data_directory(self) -> Path:
        """Where the store is."""
        ...


def channels_of(
    wiring: Ways, links: Links | None, store: Store | None, composer: Composer | None
) -> dict[str, Channel]:
    """Give the channels by name.  store: for pictures, None for none.  composer: writes mails, None for the usual."""
    from ingest.notices.channels.publish import PublishChannel
    from ingest.notices.channels.run_command import CommandChannel

    channels: dict[str, Channel] = {}
    writer = _writer(wiring, links, store, with_pictures=composer is None)
    if wiring.mail is not None:
        channels["mail"] = mail_channel(wiring.mail, writer, composer)
    if wiring.webhooks:
        channels["webhook"] = _webhook_channel(wiring.webhooks, writer)
    if wiring.telling.brokers:
        channels["publish"] = PublishChannel({one.name: one for one in wiring.telling.brokers}, writer)
    if wiring.telling.commands:
        channels["command"] = CommandChannel({one.name: one for one in wiring.telling.commands}, writer)
    return channels


def _writer(wiring: Ways, links: Links | None, store: Store | None, *, with_pictures: bool) -> Writer:
    from ingest.notices.letters.pictures import NoPictures, StorePictures
    from ingest.notices.letters.writing import Writer

    page_address = wiring.mail.page_address if wiring.mail else ""
    if not with_pictures:
        return Writer(page_address)
    pictures = StorePictures(store.read) if store else NoPictures()
    return Writer(page_address, links=links, pictures=pictures, job=wiring.path or wiring.data_directory)


def mail_channel(mail: MailWiring, writer: Writer, composer: Composer | None) -> MailChannel:
    """Give the channel by which mail goes out.  composer: writes the mails, None for the usual."""
    from ingest.notices.channels.mail import MailChannel, MailSettings
    from ingest.notices.letters.compose import compose

    settings = MailSettings(
        server=mail.server,
        sender=mail.sender,
        port=mail.port,
        security=mail.security,
        login=mail.login,
        password=mail.password,
        ca_file=mail.ca_file,
        trouble=f"Mail cannot go out: {mail.trouble}" if mail.trouble else "",
    )
    return MailChannel(settings, writer, composer or compose)


def _webhook_channel(hooks: Sequence[WebhookWiring], writer: Writer) -> Channel:
    from ingest.notices.channels.webhook import WebhookChannel, WebhookSettings

    settings = {
        hook.name: WebhookSettings(
            name=hook.name,
            address=hook.address,
            secret=hook.secret or "",
            ca_file=hook.ca_file,
            trouble=f"The web hook {hook.name} cannot be used: {hook.trouble}" if hook.trouble else "",
        )
        for hook in hooks
    }
    return WebhookChannel(settings, writer)
