"""What the pages of caught mails know. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from dashboards.shell.contexts import Shell


@dataclass(frozen=True, slots=True)
class MailRow:
    """A mail that the demonstration caught."""

    address: str
    subject: str
    recipient: str
    when: str


@dataclass(frozen=True, slots=True)
class MailsPage:
    """The mails that the demonstration caught, newest first, and one of them opened."""

    TEMPLATE: ClassVar = "caught_mail/list.html"

    shell: Shell
    mails: tuple[MailRow, ...]


@dataclass(frozen=True, slots=True)
class MailPage:
    """One caught mail: its text, and its HTML in a frame that can do nothing."""

    TEMPLATE: ClassVar = "caught_mail/mail.html"

    shell: Shell
    mail: MailRow
    sender: str
    text: str
    html_address: str  # of the HTML part; empty where there is none
