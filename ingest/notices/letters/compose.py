"""A notice as a mail: subject and letter, which text, HTML and the other ways are all made from. Pure.

Everything is made from the notice's facts, which were frozen when it was committed: sent a day late, it still says what
was so then. Pictures and links are handed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Final
from urllib.parse import quote

from ingest.notices.deciding import Why
from ingest.notices.letters import collected, digest_letter
from ingest.notices.letters.advice import MEASURE_FIRST, Advice, advice_for
from ingest.notices.letters.envelope import Shown, Written, enveloped
from ingest.notices.letters.story import SEVERITY_WORDS, Story, record_words
from ingest.present import digits, words
from ingest.present.digits import Units
from ingest.present.incident_kinds import KINDS, About
from ingest.present.mail_look import Action, Letter, Picture, Tone
from ingest.site.incidents import Incident, IncidentKind, Notice, NoticeKind, Severity
from ingest.site.places import AcclimationWindow, Bounds
from ingest.watch.reasons import ending_by_hand, incident_reason

TAKEN_BACK: Final = (
    "Readings that arrived late show that the air was not outside its window for long enough to be told. What they say "
    "of that time is on the room's page."
)
SHORTEST_LASTED_MS: Final = 60_000
"""What is told at once says nothing of how long it had lasted."""

WITHOUT_LIMIT: Final = frozenset({"check_overdue_days"})
"""Figures whose limit is nought, which need not be said."""

FOR_THE_WOOD: Final = "For the wood"


@dataclass(frozen=True, slots=True)
class Beside:
    """What goes along with a letter and is not in the notice's facts.

    page_address: where the page can be reached by whoever reads, such as "http://store.example:8430/"; empty: no link.
    actions: signed links.  commands: what to type where there are none.  shown: pictures.
    """

    page_address: str = ""
    actions: Sequence[Action] = ()
    commands: Sequence[str] = ()
    shown: Sequence[Shown] = ()

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """The pictures' names and words."""
        return tuple(one.picture for one in self.shown)


NOTHING_BESIDE: Final = Beside()


def compose(notice: Notice, *, sender: str, beside: Beside = NOTHING_BESIDE) -> EmailMessage:
    """Write the mail of a notice. Raises ValueError where an address cannot stand in a mail."""
    return enveloped(notice, write(notice, beside), sender, beside.shown)


def write(notice: Notice, beside: Beside = NOTHING_BESIDE) -> Written:
    """Write what a notice says, whatever it is then sent as."""
    if notice.kind is NoticeKind.COLLECTED:
        return collected.write(notice, collected.of_rooms(subject), beside.page_address)
    if notice.kind in (NoticeKind.DIGEST, NoticeKind.MONTH):
        return digest_letter.write(notice, beside.page_address, beside.pictures)
    story = Story.of(notice.facts, notice.kind)
    return Written(subject(story), _letter(notice, story, beside))


def subject(story: Story) -> str:
    """Say room, what and how bad, in one line."""
    if story.is_test:
        return f"A test of the warnings of {story.site}: nothing has happened"
    said = _plain_subject(story)
    if story.kind is NoticeKind.UNANSWERED:
        return f"Nobody has answered: {said}"
    if story.kind is NoticeKind.STILL:
        return f"Still open: {said}"
    if story.incident.is_open and story.incident.severity is Severity.SEVERE:
        return f"Severe: {said}"
    return f"Worse: {said}" if story.kind is NoticeKind.WORSE else said


def _plain_subject(story: Story) -> str:
    incident, advice = story.incident, advice_for(story.incident)
    if incident.kind is IncidentKind.OFFLINE:
        return f'{story.room_title}: sensor "{story.sensor}" {_heard(incident)}'
    if not story.of_window:
        return _rule_line(story, advice, with_figure=True)
    worst = _worst(story)
    if incident.is_open:
        again = " again" if story.openings > 1 else ""
        again += " as well" if joins_others(story) and story.joins else ""
        return f"{story.room_title} {advice.short}{again}: {worst or 'out of range'}"
    was = f"{advice.short}, {worst}" if worst else advice.short
    if incident.withdrawn_ms is not None:
        return f"{story.room_title}: taken back (had been told as {was})"
    verdict = "no longer watched" if ending_by_hand(incident) else "all clear"
    return f"{story.room_title}: {verdict} (was {was})"


def _rule_line(story: Story, advice: Advice, *, with_figure: bool = False) -> str:
    """Say in a line how it stands with what is not the room's window."""
    incident, said = story.incident, advice.short
    if incident.is_open:
        again = ", again" if story.openings > 1 else ""
        worst = _worst(story) if with_figure else ""
        said = f"{said}{again} ({worst})" if worst else f"{said}{again}"
    elif incident.withdrawn_ms is not None:
        said = f"taken back: {said}"
    else:
        said = f"no longer watched: {said}" if ending_by_hand(incident) else advice.over
    return f"{story.room_title}: {said}"


def _letter(notice: Notice, story: Story, beside: Beside) -> Letter:
    if story.is_test:
        return _test_letter(story, beside)
    incident, advice = story.incident, advice_for(story.incident)
    return Letter(
        headline=_headline(story, advice),
        place=f"{story.room_title}, {story.site}" if story.room else story.site,
        tone=_tone(incident),
        lead=" ".join([*_before(story), incident_reason(incident, story.sensor, story.telling)]),
        figures=_figures(story),
        meaning=_meaning(story, advice),
        lists=_lists(incident, advice),
        link=_link(story, beside.page_address),
        footer=_footer(notice, story),
        pictures=beside.pictures,
        actions=beside.actions if incident.is_open else (),
        commands=beside.commands if incident.is_open else (),
    )


def joins_others(story: Story) -> bool:
    """Say whether it is told, by itself, after others that seem to have the same cause."""
    return story.kind is NoticeKind.OPENED and story.whys == (Why.CAUSE.name,)


def _before(story: Story) -> list[str]:
    """Say why this comes now, where that is not plain."""
    said = []
    if story.kind is NoticeKind.UNANSWERED:
        who = words.listed(story.told_before)
        said.append(
            f"Nobody has taken this acknowledged{f', though {who} had been told' if who else ''}; so you are told."
        )
    if story.kind is NoticeKind.STILL:
        said.append("The quiet that was asked for is over, and this has not ended.")
    if story.kind is NoticeKind.WORSE and story.was_severity is not None:
        was, now = SEVERITY_WORDS[story.was_severity], SEVERITY_WORDS[story.incident.severity]
        said.append(f"This has turned worse: it was {was} and is {now} now.")
    if joins_others(story):
        said.append("It seems to have the cause of what you were told before.")
    if story.held_since_ms is not None and story.whys != (Why.CAUSE.name,):
        whys = words.listed([Why[name].value for name in story.whys])
        said.append(f"This came up {story.telling.at(story.held_since_ms)} and was {whys}.")
    return said


def _footer(notice: Notice, story: Story) -> tuple[str, ...]:
    lines = (
        f"Written by lumberroom, which watches {story.site}. Nobody reads replies to this mail.",
        f"Times are those of {story.telling.time_zone}.",
        record_words(notice.facts.get("record")),
    )
    return tuple(line for line in lines if line)


def _test_letter(story: Story, beside: Beside) -> Letter:
    return Letter(
        headline="A test: nothing has happened",
        place=story.site,
        tone=Tone.NEUTRAL,
        lead="This is how a warning would reach you if a room went out of range or a sensor fell silent.",
        figures=[("Sent", story.telling.at(story.incident.opened_ms)), ("Rooms", story.room_title)],
        meaning=[],
        lists=[("What to check", ("Did it arrive where it is read, also at night, and not among unwanted mail?",))],
        link=("The page:", beside.page_address) if beside.page_address else None,
        footer=(f"Written by lumberroom, which watches {story.site}, because somebody asked for a test.",),
        pictures=beside.pictures,
        actions=beside.actions,
    )


def _headline(story: Story, advice: Advice) -> str:
    if story.incident.kind is IncidentKind.OFFLINE:
        return f'Sensor "{story.sensor}" is {_heard(story.incident)}'
    if not story.of_window:
        line = _rule_line(story, advice)
        return line if story.room else _capital(line.removeprefix(f"{story.room_title}: "))
    if story.incident.is_open:
        return f"{story.room_title} is {advice.short}"
    if story.incident.withdrawn_ms is not None:
        return f"Taken back: {story.room_title} was told as {advice.short}"
    if ending_by_hand(story.incident):
        return f"No longer watched: {story.room_title}, last {advice.short}"
    return f"All clear: {story.room_title} is no longer {advice.short}"


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _heard(incident: Incident) -> str:
    if incident.is_open:
        return "offline"
    return "no longer watched" if ending_by_hand(incident) else "giving readings again"


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
    if incident.quantity == "check_due_days" and incident.worst_value < 0:
        return ""
    if incident.quantity in WITHOUT_LIMIT:
        return f"{digits.short(incident.quantity)} {value}"
    limit = digits.limit(incident.quantity, incident.bound, units)
    return f"{digits.short(incident.quantity)} {value}, limit {limit}"


def _figures(story: Story) -> list[tuple[str, str]]:
    incident, telling = story.incident, story.telling
    if incident.kind is IncidentKind.OFFLINE:
        rows = [("Sensor", story.sensor), ("Last reading", telling.at(incident.began_ms))]
    else:
        since = "Out of range since" if incident.kind is IncidentKind.WINDOW else "Since"
        rows = [*_how_bad(story), (since, telling.at(incident.began_ms))]
    if incident.is_open and incident.severity is not Severity.SERIOUS:
        rows.append(("How bad", SEVERITY_WORDS[incident.severity]))
    if incident.opened_ms - incident.began_ms >= SHORTEST_LASTED_MS:
        rows.append(("Alert after", words.duration_ms(incident.opened_ms - incident.began_ms)))
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
    if not story.of_window:
        return _how_bad_by_rule(story)
    rows = []
    if incident.quantity is not None and incident.worst_value is not None and incident.bound is not None:
        value = digits.amount(incident.quantity, incident.worst_value, telling.units)
        rows.append((f"Worst {digits.short(incident.quantity)}", f"{value}, {telling.at(incident.worst_at_ms)}"))
        beyond = digits.difference(incident.quantity, incident.worst_value - incident.bound, telling.units)
        limit = digits.limit(incident.quantity, incident.bound, telling.units)
        rows.append(("Beyond its limit by", f"{beyond} (limit {limit})"))
        if incident.excess_hours:
            rows.append(("Total exceedance", _added_up(incident.quantity, incident.excess_hours, telling.units)))
    rows.append(("Its window", _window_words(story)))
    return [*rows, ("Measured by", story.sensor)] if story.sensor else rows


def _how_bad_by_rule(story: Story) -> list[tuple[str, str]]:
    incident, telling = story.incident, story.telling
    rows = []
    if incident.quantity is not None and incident.worst_value is not None and incident.bound is not None:
        value = digits.amount(incident.quantity, incident.worst_value, telling.units)
        rows.append((digits.title(incident.quantity), f"{value}, {telling.at(incident.worst_at_ms)}"))
        if incident.quantity not in WITHOUT_LIMIT:
            rows.append(("Its limit", digits.limit(incident.quantity, incident.bound, telling.units)))
    if incident.kind is IncidentKind.HEADING:
        rows.append(("Its window", _window_words(story)))
    if not story.sensor:
        return rows
    return [*rows, ("Adapter" if incident.kind is IncidentKind.ADAPTER else "Sensor", story.sensor)]


def _added_up(quantity: str, excess_hours: float, units: Units) -> str:
    """Say degree-hours and their like."""
    number, _, unit = digits.difference(quantity, excess_hours, units).partition(" ")
    if unit in ("°C", "K", "°F"):
        return f"{number} degree-hours ({unit})"
    return f"{number} %-hours" if unit == "points" else f"{number} {unit} times hours"


def _window_words(story: Story) -> str:
    facts = story.window or {}
    names = [name for name in AcclimationWindow().margins() if facts.get(name)]
    told = [
        f"{digits.short(name)} {digits.bounds_words(name, Bounds(**facts[name]), story.telling.units)}"
        for name in names
    ]
    return words.listed(told) or "none any more"


def _meaning(story: Story, advice: Advice) -> list[tuple[str, str]]:
    told = _what_it_means(story, advice)
    wood = words.sentence(story.incident.wood)
    if not wood or story.incident.withdrawn_ms is not None or KINDS[story.incident.kind].about is not About.AIR:
        return told
    others = [(heading, text) for heading, text in told if heading != FOR_THE_WOOD]
    general = [text for heading, text in told if heading == FOR_THE_WOOD]
    return [(FOR_THE_WOOD, " ".join([wood, *general])), *others]


def _what_it_means(story: Story, advice: Advice) -> list[tuple[str, str]]:
    if story.incident.is_open:
        return [(FOR_THE_WOOD if story.of_window else "What it means", advice.meaning)]
    if story.incident.withdrawn_ms is not None:
        return [(FOR_THE_WOOD, TAKEN_BACK)]
    if not story.of_window:
        return []
    if ending_by_hand(story.incident):
        return [(FOR_THE_WOOD, "Nothing is known about how the air went on. This is no all-clear.")]
    return [(FOR_THE_WOOD, "The air alone is back; wood follows it slowly, and takes its time to come back too.")]


def _lists(incident: Incident, advice: Advice) -> list[tuple[str, tuple[str, ...]]]:
    cautions = advice.cautions if KINDS[incident.kind].about is not About.AIR else (*advice.cautions, MEASURE_FIRST)
    if not incident.is_open:
        return [("Caution", (MEASURE_FIRST,))] if KINDS[incident.kind].about is About.AIR else []
    lists = [("What to check first", advice.check)]
    return [*lists, ("Caution", cautions)] if cautions else lists


def _link(story: Story, page_address: str) -> tuple[str, str] | None:
    if not page_address:
        return None
    if not story.room:
        return "The page:", page_address
    return "The room as it is now:", f"{page_address.rstrip('/')}/rooms/{quote(story.room, safe='')}"
