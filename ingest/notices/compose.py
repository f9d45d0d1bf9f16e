"""A notice as a mail: subject, text and HTML that say the same, one thread per incident. Pure.

Everything is made from the notice's facts, which were frozen when it was committed: sent a day late, it still says what
was so then. Message-IDs are made from the incident, so that mail programs put alarm and all-clear into one thread, and
so that a mail that had to be sent twice has the same id both times.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from typing import Any, Final
from urllib.parse import quote

from ingest.notices.advice import MEASURE_FIRST, Advice, advice_for
from ingest.present import digits, mail_look, words
from ingest.present.digits import Units
from ingest.present.mail_look import Letter, Tone
from ingest.site.incidents import Incident, IncidentKind, Notice
from ingest.site.places import AcclimationWindow, Bounds
from ingest.watch.memory import incident_from_json
from ingest.watch.reasons import Telling, ending_by_hand, incident_reason

TAKEN_BACK: Final = (
    "Readings that arrived late show that the air was not outside its window for long enough to be told. What they say "
    "of that time is on the room's page."
)
OF_THE_STATION: Final = frozenset(
    {IncidentKind.ADAPTER, IncidentKind.DISK, IncidentKind.CLOCK, IncidentKind.FORWARDING}
)
ABOUT_SENSORS: Final = OF_THE_STATION | {
    IncidentKind.SILENT, IncidentKind.BATTERY, IncidentKind.STUCK, IncidentKind.APART, IncidentKind.CHECK
}  # fmt: skip
"""What is about sensors or the station, where no word about wood belongs."""

LONGEST_LINE: Final = 200
"""No name from outside takes more room than this in a subject."""

# Folded at the usual 78 columns, a long subject moves behind "Subject:" as a whole, and some readers then show it with
# a blank before it. RFC 5322 (2.1.1) allows 998 columns.
_POLICY: Final = SMTP.clone(max_line_length=250)


@dataclass(frozen=True, slots=True)
class Story:
    """A notice's facts, unpacked."""

    incident: Incident
    room: str
    room_title: str
    site: str
    holds: str
    sensor: str
    window: Mapping[str, Any] | None
    openings: int
    telling: Telling
    is_test: bool = False

    @staticmethod
    def of(facts: Mapping[str, Any]) -> Story:
        """Unpack facts made by `outbox.notice_facts`."""
        return Story(
            incident=incident_from_json(facts["incident"]),
            room=facts["room"],
            room_title=one_line(facts["room_title"]),
            site=one_line(facts["site"]),
            holds=one_line(facts["holds"]),
            sensor=one_line(facts["sensor"]),
            window=facts["window"],
            openings=facts.get("openings", 1),
            telling=Telling(facts["time_zone"], Units(facts.get("units", Units.SI.value))),
            is_test=facts.get("is_test", False),
        )


def compose(notice: Notice, *, sender: str, page_address: str = "") -> EmailMessage:
    """Write the mail of a notice.

    sender, notice.recipient: mail addresses, with or without a name.  page_address: where the page can be reached by
    whoever reads the mail, such as "http://store.example:8430/"; empty: no link.
    Raises ValueError where an address cannot stand in a mail.
    """
    story = Story.of(notice.facts)
    return enveloped(notice, story, subject(story), write_letter(story, page_address), sender)


def enveloped(notice: Notice, story: Story, about: str, letter: Letter, sender: str) -> EmailMessage:
    """Put a letter into a mail: addresses, date, thread, text and HTML.  about: the subject. Raises as `compose`."""
    message = EmailMessage(policy=_POLICY)
    message["Subject"] = about
    message["From"] = _address(sender)
    message["To"] = _address(notice.recipient)
    message["Date"] = format_datetime(words.local(notice.created_ms, story.telling.time_zone))
    message["Auto-Submitted"] = "auto-generated"
    message["X-Auto-Response-Suppress"] = "All"
    _thread(message, story, notice.recipient, _domain(sender))
    message.set_content(mail_look.as_text(letter), cte="quoted-printable")
    message.add_alternative(mail_look.as_html(letter), subtype="html", cte="quoted-printable")
    return message


def subject(story: Story) -> str:
    """Say room, what and how bad, in one line."""
    if story.is_test:
        return f"A test of the warnings of {story.site}: nothing has happened"
    incident, advice = story.incident, advice_for(story.incident)
    if incident.kind is IncidentKind.SILENT:
        return f'{story.room_title}: sensor "{story.sensor}" {_heard(incident)}'
    worst = _worst(story)
    if incident.is_open:
        again = " again" if story.openings > 1 else ""
        return f"{story.room_title} {advice.short}{again}: {worst or 'out of its window'}"
    was = f"{advice.short}, {worst}" if worst else advice.short
    return _over_subject(story, was)


def _over_subject(story: Story, was: str) -> str:
    incident = story.incident
    if incident.withdrawn_ms is not None:
        return f"{story.room_title}: taken back (had been told as {was})"
    clear = "all clear" if _of_window(story) else "over"
    verdict = "no longer watched" if ending_by_hand(incident) else clear
    was = f"was {was}" if _of_window(story) else was
    return f"{story.room_title}: {verdict} ({was})"


def write_letter(story: Story, page_address: str = "") -> Letter:
    """Write what a mail says, whatever it is then drawn as."""
    if story.is_test:
        return _test_letter(story, page_address)
    incident, advice = story.incident, advice_for(story.incident)
    return Letter(
        headline=_headline(story, advice),
        place=f"{story.room_title}, {story.site}",
        tone=_tone(incident),
        lead=incident_reason(incident, story.sensor, story.telling),
        figures=_figures(story),
        meaning=_meaning(story, advice),
        lists=_lists(incident, advice),
        link=_link(story, page_address),
        footer=(
            f"Written by lumberroom, which watches {story.site}. Nobody reads replies to this mail.",
            f"Times are those of {story.telling.time_zone}.",
        ),
    )


def _test_letter(story: Story, page_address: str) -> Letter:
    return Letter(
        headline="A test: nothing has happened",
        place=story.site,
        tone=Tone.NEUTRAL,
        lead="This is how a warning would reach you if a room left its window or a sensor fell silent.",
        figures=[("Sent", story.telling.at(story.incident.opened_ms)), ("Rooms", story.room_title)],
        meaning=[],
        lists=[("What to check", ("Did it arrive where it is read, also at night, and not among unwanted mail?",))],
        link=("The page:", page_address) if page_address else None,
        footer=(f"Written by lumberroom, which watches {story.site}, because somebody asked for a test.",),
    )


def one_line(text: str) -> str:
    """Make text from outside fit for a header: one line, no control characters, of bounded length."""
    plain = " ".join(re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+", " ", text).split())
    return plain if len(plain) <= LONGEST_LINE else f"{plain[: LONGEST_LINE - 1]}…"


def _headline(story: Story, advice: Advice) -> str:
    if story.incident.kind is IncidentKind.SILENT:
        return f'Sensor "{story.sensor}" is {_heard(story.incident)}'
    if story.incident.is_open:
        return f"{story.room_title} is {advice.short}" if _of_window(story) else f"{story.room_title} {advice.short}"
    if story.incident.withdrawn_ms is not None:
        return f"Taken back: {story.room_title} was told as {advice.short}"
    if ending_by_hand(story.incident):
        return f"No longer watched: {story.room_title}, last {advice.short}"
    if not _of_window(story):
        return f"Over: {story.room_title} {advice.short}"
    return f"All clear: {story.room_title} is no longer {advice.short}"


def _of_window(story: Story) -> bool:
    """Tell whether it is about the room's window, and not about one of the rules beside it."""
    return story.incident.kind is IncidentKind.WINDOW


def _heard(incident: Incident) -> str:
    if incident.is_open:
        return "not heard"
    return "no longer watched" if ending_by_hand(incident) else "heard again"


def _tone(incident: Incident) -> Tone:
    if incident.is_open:
        return Tone.ALARM
    by_hand = ending_by_hand(incident) or incident.withdrawn_ms is not None
    return Tone.NEUTRAL if by_hand else Tone.CLEAR


def _worst(story: Story) -> str:
    incident = story.incident
    if incident.quantity is None or incident.worst_value is None or incident.bound is None:
        return ""
    units = story.telling.units
    value = digits.amount(incident.quantity, incident.worst_value, units)
    return f"{digits.short(incident.quantity)} {value}, bound {digits.limit(incident.quantity, incident.bound, units)}"


def _figures(story: Story) -> list[tuple[str, str]]:
    incident, telling = story.incident, story.telling
    if incident.kind is IncidentKind.SILENT:
        rows = [("Sensor", story.sensor), ("Last heard", telling.at(incident.began_ms))]
    else:
        since = "Out of its window since" if incident.kind is IncidentKind.WINDOW else "Since"
        rows = [*_how_bad(story), (since, telling.at(incident.began_ms))]
    rows.append(("Told when it had lasted", words.duration_ms(incident.opened_ms - incident.began_ms)))
    if incident.withdrawn_ms is not None:
        rows.append(("Taken back", telling.at(incident.withdrawn_ms)))
    elif incident.closed_ms is not None:
        by_hand = bool(ending_by_hand(incident))
        rows.append(("Not watched since" if by_hand else "Over since", telling.at(incident.closed_ms)))
        if not by_hand:
            rows.append(("Lasted in all", words.duration_ms(incident.closed_ms - incident.began_ms)))
    if story.holds:
        rows.append(("In this room", story.holds))
    return rows


def _how_bad(story: Story) -> list[tuple[str, str]]:
    incident, telling = story.incident, story.telling
    rows = []
    if incident.quantity is not None and incident.worst_value is not None and incident.bound is not None:
        value = digits.amount(incident.quantity, incident.worst_value, telling.units)
        rows.append((f"Worst {digits.short(incident.quantity)}", f"{value}, {telling.at(incident.worst_at_ms)}"))
        beyond = digits.difference(incident.quantity, incident.worst_value - incident.bound, telling.units)
        limit = digits.limit(incident.quantity, incident.bound, telling.units)
        rows.append(("Beyond its bound by", f"{beyond} (bound {limit})"))
    if incident.kind in (IncidentKind.WINDOW, IncidentKind.HEADING):
        rows.append(("Its window", _window_words(story)))
    if not story.sensor or incident.kind in OF_THE_STATION:
        return rows
    return [*rows, ("Measured by", story.sensor)]


def _window_words(story: Story) -> str:
    facts = story.window or {}
    names = [name for name in AcclimationWindow().margins() if facts.get(name)]
    told = [
        f"{digits.short(name)} {digits.bounds_words(name, Bounds(**facts[name]), story.telling.units)}"
        for name in names
    ]
    return words.listed(told) or "none any more"


def _meaning(story: Story, advice: Advice) -> list[tuple[str, str]]:
    if not story.incident.is_open:
        if not _of_window(story) and story.incident.withdrawn_ms is None:
            return []
        if story.incident.withdrawn_ms is not None:
            return [("For the wood", TAKEN_BACK)]
        if ending_by_hand(story.incident):
            return [("For the wood", "Nothing is known about how the air went on. This is no all-clear.")]
        return [("For the wood", "The air alone is back; wood follows it slowly, and takes its time to come back too.")]
    heading = "For the wood" if story.incident.kind is IncidentKind.WINDOW else "What it means"
    return [(heading, advice.meaning)]


def _lists(incident: Incident, advice: Advice) -> list[tuple[str, tuple[str, ...]]]:
    cautions = advice.cautions if incident.kind in ABOUT_SENSORS else (*advice.cautions, MEASURE_FIRST)
    if not incident.is_open:
        return [("Caution", (MEASURE_FIRST,))] if cautions else []
    lists = [("What to check first", advice.check)]
    return [*lists, ("Caution", cautions)] if cautions else lists


def _link(story: Story, page_address: str) -> tuple[str, str] | None:
    if not page_address:
        return None
    if not story.room:
        return "The page:", page_address
    return "The room as it is now:", f"{page_address.rstrip('/')}/rooms/{quote(story.room, safe='')}"


def _thread(message: EmailMessage, story: Story, recipient: str, domain: str) -> None:
    """Give the mail its own id, and tie it to the first one of its incident."""
    person = hashlib.sha256(recipient.encode()).hexdigest()[:10]
    first = f"<{story.incident.id}.{person}@{domain}>"
    if story.incident.is_open and story.openings == 1:
        message["Message-ID"] = first
        return
    word = "back" if story.incident.withdrawn_ms is not None else "over"
    step = f"{'again' if story.incident.is_open else word}{story.openings}"
    message["Message-ID"] = f"<{story.incident.id}.{step}.{person}@{domain}>"
    message["In-Reply-To"] = first
    message["References"] = first


def _address(text: str) -> str:
    if one_line(text) != text or "@" not in parseaddr(text)[1]:
        raise ValueError(f"{one_line(text)!r} is not a mail address")
    return text


def _domain(sender: str) -> str:
    domain = parseaddr(sender)[1].rpartition("@")[2]
    return domain if re.fullmatch(r"[A-Za-z0-9.-]+", domain) else "lumberroom.invalid"
