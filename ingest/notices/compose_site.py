"""The mails of an office: a site, or the central engine, is not heard, or heard again. Pure."""

from __future__ import annotations

from email.message import EmailMessage
from typing import Final

from ingest.notices import collected
from ingest.notices.compose import NOTHING_BESIDE, Beside
from ingest.notices.envelope import Written, enveloped
from ingest.notices.story import Story
from ingest.present import words
from ingest.present.mail_look import Letter, Tone
from ingest.site.incidents import Notice, NoticeKind

ENGINE: Final = "central-engine"
"""The office's id for the engine itself, which is watched like a site."""

_CHECK_SITE: Final = (
    "Power and network at the site: its router, its line, a fuse.",
    "The computer that runs lumberroom there: is it on, has its disk room?",
    "Its line to the central engine: the site's own page (Arrivals) says what keeps readings from arriving.",
)
_CHECK_ENGINE: Final = (
    "The central engine's server: is it on, has its disk room?",
    "The network between this office and it, and the token that lets the office read.",
)
_SITE_MEANS: Final = (
    "The site cannot say so itself. Until it is heard again nobody knows from here how its air is; if its computer is "
    "on, it goes on measuring and sends what it kept."
)
_ENGINE_MEANS: Final = (
    "No site can be seen from this office meanwhile. The sites go on watching and mailing by themselves."
)


def compose_site(notice: Notice, *, sender: str, beside: Beside = NOTHING_BESIDE) -> EmailMessage:
    """Write the mail of an office's notice. Raises ValueError where an address cannot stand in a mail."""
    if notice.kind is NoticeKind.COLLECTED:
        return enveloped(notice, collected.write(notice, subject, beside.page_address), sender)
    story = Story.of(notice.facts, notice.kind)
    return enveloped(notice, Written(subject(story), _letter(story, _heard(story), beside.page_address)), sender)


def subject(story: Story) -> str:
    """Say in a line which site it is about, and whether it is heard."""
    return f"{story.room_title} {_heard(story)}"


def _heard(story: Story) -> str:
    return "is not heard" if story.incident.is_open else "is heard again"


def _letter(story: Story, heard: str, page_address: str) -> Letter:
    incident, at = story.incident, story.telling.at
    is_engine = incident.room == ENGINE
    figures = [("Last heard", at(incident.began_ms))]
    if incident.closed_ms is not None:
        figures.append(("Heard again", at(incident.closed_ms)))
        figures.append(("Silent for", words.duration_ms(incident.closed_ms - incident.began_ms)))
    means = _ENGINE_MEANS if is_engine else _SITE_MEANS
    checks = _CHECK_ENGINE if is_engine else _CHECK_SITE
    return Letter(
        headline=f"{story.room_title} {heard}",
        place=story.site,
        tone=Tone.ALARM if incident.is_open else Tone.CLEAR,
        lead=reason(story.room_title, incident.is_open, at(incident.began_ms), at(incident.closed_ms)),
        figures=figures,
        meaning=[("What it means", means)] if incident.is_open else [],
        lists=[("What to check first", checks)] if incident.is_open else [],
        link=("The office's page:", page_address) if page_address else None,
        footer=(
            f"Written by lumberroom at {story.site}. Nobody reads replies to this mail.",
            f"Times are those of {story.telling.time_zone}.",
        ),
    )


def reason(name: str, is_open: bool, began: str, closed: str) -> str:
    """Say in one sentence what it is about.  began, closed: instants in words."""
    if is_open:
        return f"Nothing has been heard from {name} since {began}."
    return f"{name} has been heard again since {closed}; nothing came from it since {began}."
