"""The mail that says that nothing can be stored (a full disk, say), or that storing goes on again. Pure.

It belongs to no incident and to no outbox: what cannot be written cannot be committed first.
"""

from __future__ import annotations

from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from typing import Final

from ingest.notices.letters.story import one_line
from ingest.present import mail_look, words
from ingest.present.mail_look import Letter, Tone

_POLICY: Final = SMTP.clone(max_line_length=250)

_MEANS: Final = (
    "What was stored before is safe. New readings are kept in memory, as far as it reaches, and stored when that is "
    "possible again; a power cut or a restart meanwhile loses them. Nothing is judged from them, so no room is warned "
    "of, and no other mail can be put on its way."
)
_CHECKS: Final = (
    "Is the disk full? df -h says so. Make room: old backups, logs, other programs' files. Nothing need be restarted.",
    "Was the disk or card taken away, or made read-only by the system after an error? dmesg says so.",
    "To need less room for good, see keep_readings_days in deploy/OPERATIONS.md.",
)
_DIRECT: Final = "It was sent without being kept anywhere first, once for each such trouble (again after a restart)."


@dataclass(frozen=True, slots=True)
class StoreNews:
    """What there is to tell.

    what: why nothing can be stored, with the mend.  since_ms: since when (UTC).  until_ms: when storing went on, or
    None.  held: readings that wait in memory.  lost: readings given up since the trouble began.  now_ms: our clock.
    """

    site: str
    time_zone: str
    what: str
    since_ms: int
    until_ms: int | None
    held: int
    lost: int
    now_ms: int


def compose_store(news: StoreNews, *, recipient: str, sender: str, page_address: str) -> EmailMessage:
    """Write the mail. Raises ValueError where an address cannot stand in a mail."""
    site = one_line(news.site)
    about = f"{site}: readings cannot be stored" if news.until_ms is None else f"{site}: readings are stored again"
    message = EmailMessage(policy=_POLICY)
    message["Subject"] = about
    message["From"] = _address(sender)
    message["To"] = _address(recipient)
    message["Date"] = format_datetime(words.local(news.now_ms, news.time_zone))
    message["Auto-Submitted"] = "auto-generated"
    message["X-Auto-Response-Suppress"] = "All"
    letter = _letter(news, site, page_address)
    message.set_content(mail_look.as_text(letter), cte="quoted-printable")
    message.add_alternative(mail_look.as_html(letter), subtype="html", cte="quoted-printable")
    return message


def _letter(news: StoreNews, site: str, page_address: str) -> Letter:
    is_open = news.until_ms is None
    figures = [("Since", words.instant(news.since_ms, news.time_zone))]
    if news.until_ms is not None:
        figures.append(("Stored again", words.instant(news.until_ms, news.time_zone)))
    if is_open:
        figures.append(("Readings kept in memory", str(news.held)))
    figures.append(("Readings lost", str(news.lost)))
    return Letter(
        headline="Readings cannot be stored" if is_open else "Readings are stored again",
        place=site,
        tone=Tone.ALARM if is_open else Tone.CLEAR,
        lead=one_line(news.what) if is_open else f"The trouble was: {one_line(news.what)}",
        figures=figures,
        meaning=[("What it means", _MEANS)] if is_open else [],
        lists=[("What to check first", _CHECKS)] if is_open else [],
        link=("The page:", page_address) if page_address else None,
        footer=(
            f"Written by lumberroom at {site}. {_DIRECT} Nobody reads replies to this mail.",
            f"Times are those of {news.time_zone}.",
        ),
    )


def _address(text: str) -> str:
    if one_line(text) != text or "@" not in parseaddr(text)[1]:
        raise ValueError(f"{one_line(text)!r} is not a mail address")
    return text
