"""The mails of an office: a site, or the central engine, is not heard, or heard again. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from email.message import EmailMessage
from typing import Final

from ingest.notices.letters import collected
from ingest.notices.letters.compose import NOTHING_BESIDE, Beside
from ingest.notices.letters.envelope import Written, enveloped
from ingest.notices.letters.story import Story
from ingest.present import words
from ingest.present.mail_look import Letter, Tone
from ingest.site.incidents import Notice, NoticeKind

ENGINE: Final = "central-engine"
"""The office's id for the engine itself, which is watched like a site."""

TWICE: Final = " (two at once)"
"""At the end of the office's id for "a site's id is used by one site only", which is watched like a site."""

_CHECK_TWICE: Final = (
    "Was a settings file copied from one computer to another? Each site needs its own name under [central] site.",
    "Was a computer replaced, and does the old one still run?",
    "Does a second daemon run on the same computer, with a data folder of its own?",
)
_TWICE_MEANS: Final = (
    "Their readings are mixed on the central engine where their sensors have the same ids, and rooms come and go as "
    "now one and now the other speaks. Each of them goes on watching and mailing by itself; nothing in their own "
    "stores is touched. What was mixed stays mixed there: give one of them a name of its own."
)
_CHECK_SITE: Final = (
    "Power and network at the site: its router, its line, a fuse.",
    "The computer that runs lumberroom there: is it on, has its disk room?",
    "Its line to the central engine: the site's own page (Connections) says what keeps readings from arriving.",
)
_CHECK_ENGINE: Final = (
    "The central engine's server: is it on, has its disk room?",
    "The network between this office and it, and the token that lets the office read.",
)
_SITE_MEANS: Final = (
    "The site cannot say so itself. Until it reports again nobody knows from here how its air is; if its computer is "
    "on, it goes on measuring and sends what it kept."
)
_ENGINE_MEANS: Final = (
    "No site can be seen from this office meanwhile. The sites go on watching and mailing by themselves."
)


def compose_site(notice: Notice, *, sender: str, beside: Beside = NOTHING_BESIDE) -> EmailMessage:
    """Write the mail of an office's notice. Raises ValueError where an address cannot stand in a mail."""
    if notice.kind is NoticeKind.COLLECTED:
        return enveloped(notice, collected.write(notice, _VOICE, beside.page_address), sender)
    story = Story.of(notice.facts, notice.kind)
    return enveloped(notice, Written(subject(story), _letter(story, _heard(story), beside.page_address)), sender)


def subject(story: Story) -> str:
    """Say in a line which site it is about, and whether it is heard."""
    return f"{story.room_title} {_heard(story)}"


def _heard(story: Story) -> str:
    if story.incident.room.endswith(TWICE):
        return "is two sites at once" if story.incident.is_open else "is one site again"
    return "is offline" if story.incident.is_open else "reports again"


def _letter(story: Story, heard: str, page_address: str) -> Letter:
    incident, at = story.incident, story.telling.at
    is_twice = incident.room.endswith(TWICE)
    figures = [("Since" if is_twice else "Last reading", at(incident.began_ms))]
    if incident.closed_ms is not None:
        figures.append(("Until" if is_twice else "Reports again", at(incident.closed_ms)))
        lasted = words.duration_ms(incident.closed_ms - incident.began_ms)
        figures.append(("Lasted" if is_twice else "Offline for", lasted))
    means, checks = _advice(incident.room)
    return Letter(
        headline=f"{story.room_title} {heard}",
        place=story.site,
        tone=Tone.ALARM if incident.is_open else Tone.CLEAR,
        lead=reason(story.room_title, incident.is_open, at(incident.began_ms), at(incident.closed_ms), twice=is_twice),
        figures=figures,
        meaning=[("What it means", means)] if incident.is_open else [],
        lists=[("What to check first", checks)] if incident.is_open else [],
        link=("The office's page:", page_address) if page_address else None,
        footer=(
            f"Written by lumberroom at {story.site}. Nobody reads replies to this mail.",
            f"Times are those of {story.telling.time_zone}.",
        ),
    )


def _advice(room: str) -> tuple[str, tuple[str, ...]]:
    """Give what it means and what to check, by the office's id of what is not heard."""
    if room.endswith(TWICE):
        return _TWICE_MEANS, _CHECK_TWICE
    return (_ENGINE_MEANS, _CHECK_ENGINE) if room == ENGINE else (_SITE_MEANS, _CHECK_SITE)


def _point(story: Story) -> str:
    at, incident = story.telling.at, story.incident
    twice = incident.room.endswith(TWICE)
    return reason(story.room_title, incident.is_open, at(incident.began_ms), at(incident.closed_ms), twice=twice)


def _short(stories: Sequence[Story]) -> str:
    """Say of several at once what is wrong: of one kind in its words, else that they are not as they should be."""
    said = {_heard(story) for story in stories if story.incident.is_open}
    if len(said) > 1:
        return "not as it should be"
    return said.pop().removeprefix("is ")


def _advised(still: Sequence[Story]) -> collected.Sections:
    advice = dict.fromkeys(_advice(story.incident.room) for story in still)
    checks = tuple(dict.fromkeys(check for _, some in advice for check in some))
    means = tuple(means for means, _ in advice)
    return [("What it means", means), ("What to check first", checks)] if still else []


_VOICE: Final = collected.Voice(
    _short,
    _point,
    _advised,
    lambda office: f"Written by lumberroom at {office}. Nobody reads replies to this mail.",
    things="sites",
)


def reason(name: str, is_open: bool, began: str, closed: str, *, twice: bool = False) -> str:
    """Say in one sentence what it is about.  began, closed: instants in words.  twice: two sites under one id."""
    if twice and is_open:
        return f"Since {began} two sites have been speaking to the central engine under the id of {name}."
    if twice:
        return f"Since {closed} one site speaks under the id of {name}; since {began} there were two."
    if is_open:
        return f"Nothing has been heard from {name} since {began}."
    return f"{name} gives readings again since {closed}; nothing came from it since {began}."
