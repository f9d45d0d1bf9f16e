"""A letter put into a mail: addresses, date, thread, text, HTML and its pictures. Pure.

Message-IDs are made from what is told, so that mail programs put alarm and all-clear into one thread, and so that a
mail that had to be sent twice has the same id both times.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from typing import Final

from ingest.notices.letters.story import one_line
from ingest.present import mail_look, words
from ingest.present.mail_look import Letter, Picture
from ingest.site.incidents import Notice, NoticeKind

# Folded at the usual 78 columns, a long subject moves behind "Subject:" as a whole, and some readers then show it with
# a blank before it. RFC 5322 (2.1.1) allows 998 columns.
_POLICY: Final = SMTP.clone(max_line_length=250)

BEGINNINGS: Final = frozenset(set(NoticeKind) - {NoticeKind.CLOSED, NoticeKind.WORSE, NoticeKind.STILL})
"""What can be the first that somebody reads of a thing."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture that goes along.  picture: its name in the mail and what it shows, in words.  png: the file."""

    picture: Picture
    png: bytes


@dataclass(frozen=True, slots=True)
class Written:
    """What a mail says.  about: the subject."""

    about: str
    letter: Letter


def enveloped(notice: Notice, written: Written, sender: str, shown: Sequence[Shown] = ()) -> EmailMessage:
    """Put what was written into a mail.

    sender, notice.recipient: mail addresses, with or without a name.
    Raises ValueError where an address cannot stand in a mail.
    """
    letter = written.letter
    message = EmailMessage(policy=_POLICY)
    # With a plain minus most subjects are ASCII; one that is not and is folded on its way is shown with a gap in it.
    message["Subject"] = written.about.replace("\N{MINUS SIGN}", "-")
    message["From"] = _address(sender)
    message["To"] = _address(notice.recipient)
    message["Date"] = format_datetime(words.local(notice.created_ms, notice.facts["time_zone"]))
    message["Auto-Submitted"] = "auto-generated"
    message["X-Auto-Response-Suppress"] = "All"
    _thread(message, notice, _domain(sender))
    message.set_content(mail_look.as_text(letter), cte="quoted-printable")
    message.add_alternative(mail_look.as_html(letter), subtype="html", cte="quoted-printable")
    marked = message.get_body(("html",))
    assert isinstance(marked, EmailMessage)
    for one in shown:
        marked.add_related(one.png, "image", "png", cid=f"<{one.picture.cid}>", disposition="inline")
    return message


def _thread(message: EmailMessage, notice: Notice, domain: str) -> None:
    """Give the mail its own id, and tie it to the first one of its thread."""
    person = hashlib.sha256(notice.recipient.encode()).hexdigest()[:10]
    thread, openings = notice.facts.get("thread", notice.incident), notice.facts.get("openings", 1)
    first = f"<{thread}.{person}@{domain}>"
    if notice.kind in BEGINNINGS and openings == 1 and thread == notice.incident:
        message["Message-ID"] = first
        return
    message["Message-ID"] = f"<{notice.incident}.{_step(notice, openings)}.{person}@{domain}>"
    message["In-Reply-To"] = first
    message["References"] = first


def _step(notice: Notice, openings: int) -> str:
    """Name a mail within its thread, the same whenever it is sent."""
    if notice.kind is NoticeKind.CLOSED:
        withdrawn = notice.facts["incident"].get("withdrawn_ms") is not None
        return f"{'back' if withdrawn else 'over'}{openings}"
    if notice.kind is NoticeKind.OPENED:
        return f"again{openings}"
    return f"{notice.kind.value}{notice.number}"


def _address(text: str) -> str:
    if one_line(text) != text or "@" not in parseaddr(text)[1]:
        raise ValueError(f"{one_line(text)!r} is not a mail address")
    return text


def _domain(sender: str) -> str:
    domain = parseaddr(sender)[1].rpartition("@")[2]
    return domain if re.fullmatch(r"[A-Za-z0-9.-]+", domain) else "lumberroom.invalid"
