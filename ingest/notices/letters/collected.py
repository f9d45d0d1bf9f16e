"""Several incidents told in one mail: of one cause, or held back until now. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple
from urllib.parse import quote

from ingest.notices.deciding import Why
from ingest.notices.letters.advice import MEASURE_FIRST, advice_for
from ingest.notices.letters.envelope import Written
from ingest.notices.letters.story import Story, one_line, record_words, telling_of
from ingest.present import words
from ingest.present.mail_look import Letter, Tone
from ingest.site.incidents import Notice, NoticeKind
from ingest.watch.reasons import incident_reason

SubjectOf = Callable[[Story], str]

MOST_NAMES: Final = 3
"""More rooms than these are counted in a subject, not named."""


Sections = list[tuple[str, tuple[str, ...]]]


class Voice(NamedTuple):
    """What differs between those who write of rooms and who write of whole sites.

    short: says in a few words what is wrong of several things at once.  point: tells one story in a line.  advise: what
    to check and heed, of those still open.  signed: the letter's last words, given the site's name.  things: what they
    are called where there are too many to name; "rooms" have pages of their own.
    """

    short: Callable[[Sequence[Story]], str]
    point: Callable[[Story], str]
    advise: Callable[[Sequence[Story]], Sections]
    signed: Callable[[str], str]
    things: str = "rooms"


def of_rooms(subject_of: SubjectOf) -> Voice:
    """Give the voice of a site.  subject_of: says one of them in a line."""

    def point(story: Story) -> str:
        reason = incident_reason(story.incident, story.sensor, story.telling)
        return " ".join(filter(None, (f"{subject_of(story)}.", reason, words.sentence(story.incident.wood))))

    return Voice(
        lambda stories: advice_for(stories[0].incident).short,
        point,
        _advised,
        lambda site: f"Written by lumberroom, which watches {site}. Nobody reads replies to this mail.",
    )


def stories_of(notice: Notice) -> list[Story]:
    """Give what is told, one by one, those still open first."""
    names = ("units", "clock", "time_zone")
    reader: dict[str, Any] = {name: notice.facts[name] for name in names if name in notice.facts}
    stories = [Story.of({**item, **reader}, _kind_of(item)) for item in notice.facts["items"]]
    return sorted(stories, key=lambda story: (not story.incident.is_open, story.incident.began_ms))


def _kind_of(item: dict[str, Any]) -> NoticeKind | None:
    return NoticeKind(item["kind"]) if "kind" in item else None


def write(notice: Notice, voice: Voice, page_address: str = "") -> Written:
    """Write one letter about all of them."""
    stories = stories_of(notice)
    site = one_line(notice.facts["site"])
    still, over = _parted(stories)
    about = _about(notice, stories, voice)
    letter = Letter(
        headline=about.removeprefix(f"{site}: "),
        place=site,
        tone=Tone.ALARM if still else Tone.CLEAR,
        lead=_lead(notice, stories),
        figures=[],
        meaning=[],
        lists=_lists(still, over, voice),
        link=_link(notice.facts["items"], page_address, voice.things),
        footer=tuple(filter(None, (
            voice.signed(site),
            f"Times are those of {notice.facts['time_zone']}.",
            record_words(notice.facts.get("record")),
        ))),
    )  # fmt: skip
    return Written(about, letter)


def _parted(stories: Sequence[Story]) -> tuple[list[Story], list[Story]]:
    still = [story for story in stories if story.incident.is_open]
    return still, [story for story in stories if not story.incident.is_open]


def _about(notice: Notice, stories: Sequence[Story], voice: Voice) -> str:
    site, whys = one_line(notice.facts["site"]), _whys(notice)
    still, over = _parted(stories)
    if whys == [Why.CAUSE]:
        rooms = _rooms(stories, voice.things)
        if not still:
            return f"{rooms}: over as well, of the same cause"
        how = " as well" if notice.facts.get("joins", False) else ""
        how = " worse" if all(story.kind is NoticeKind.WORSE for story in still) else how
        return f"{rooms}: {voice.short(stories)}{how}, of the same cause"
    count = f"{len(stories)} more" if Why.RATE in whys else f"{len(stories)}"
    if not over:
        return f"{site}: {count} warnings, all still open"
    return f"{site}: {count} warnings, {len(still) or 'none'} still open"


def _whys(notice: Notice) -> list[Why]:
    return [Why[name] for name in notice.facts.get("whys", ())]


def _rooms(stories: Sequence[Story], things: str) -> str:
    titles = list(dict.fromkeys(story.room_title for story in stories))
    if len(titles) <= MOST_NAMES:
        return words.listed(titles)
    return f"{', '.join(titles[: MOST_NAMES - 1])} and {len(titles) - MOST_NAMES + 1} more {things}"


def _lead(notice: Notice, stories: Sequence[Story]) -> str:
    telling = telling_of(notice.facts)
    whys = words.listed([why.value for why in _whys(notice)])
    since = telling.at(notice.facts["held_since_ms"])
    still, over = _parted(stories)
    said = [f"These came up from {since} on and were {whys}."]
    if _whys(notice) == [Why.CAUSE]:
        said = [
            f"These came up from {since} on, seem to have the cause of what you were told first, and are told together."
        ]
    if over and still:
        said.append(f"{len(still)} of {len(stories)} are still open; {len(over)} are over by themselves.")
    elif over:
        said.append("All of them are over by themselves.")
    return " ".join([*said, "Each of them stands in the record as it came."])


def _lists(still: Sequence[Story], over: Sequence[Story], voice: Voice) -> Sections:
    lists = [
        (heading, tuple(map(voice.point, stories)))
        for heading, stories in (("Still open", still), ("Over", over))
        if stories
    ]
    return lists + voice.advise(still)


def _advised(still: Sequence[Story]) -> Sections:
    checks = dict.fromkeys(check for story in still for check in advice_for(story.incident).check)
    cautions = dict.fromkeys(caution for story in still for caution in advice_for(story.incident).cautions)
    first = [("What to check first", tuple(checks))] if checks else []
    return [*first, ("Caution", (*cautions, MEASURE_FIRST))]


def _link(items: Sequence[dict[str, Any]], page_address: str, things: str) -> tuple[str, str] | None:
    if not page_address:
        return None
    rooms = {item["room"] for item in items}
    if len(rooms) == 1 and things == "rooms":
        return "The room as it is now:", f"{page_address.rstrip('/')}/rooms/{quote(rooms.pop(), safe='')}"
    return "All incidents:", f"{page_address.rstrip('/')}/incidents"
