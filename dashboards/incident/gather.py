"""One incident's page: what it was, its course, what people did about it, and everything on record."""

from __future__ import annotations

from typing import Final

import numpy as np
from markupsafe import Markup

from dashboards.connections.gather import NOTICE_WORDS, STATE_WORDS
from dashboards.incident.context import ActionForm, IncidentPage, JournalRow, Line, SentRow
from dashboards.shell.contexts import Choice
from dashboards.shell.problems import AnswerError
from dashboards.visit import Visit
from ingest.present import digits, life_words, words
from ingest.present.excursion_chart import NARROW, WIDE, Course, describe, excursion_chart_svg
from ingest.present.incident_kinds import KINDS
from ingest.site.bounds import Bounds
from ingest.site.handling import Action, Handling, Life, life
from ingest.site.incidents import Incident, IncidentKind, Notice, NoticeState
from ingest.site.places import Place
from ingest.site.series import Floats, Int64s, SeriesKey
from ingest.store.record.kinds import HANDLING
from ingest.watch import affected, causes
from ingest.watch.journal import journal
from ingest.watch.rules.figures import Air
from ingest.watch.rules.rulebook import BY_KEY
from ingest.watch.window.plan import plan_of, room_window

POINTS: Final = 240
LEAST_AROUND_MS: Final = 2 * 3_600_000
LONGEST_MS: Final = 400 * 86_400_000

BUTTONS: Final[dict[Action, str]] = {
    Action.ACKNOWLEDGED: "Acknowledge",
    Action.NOTED: "Add note",
    Action.MUTED: "Mute alerts",
    Action.UNMUTED: "Unmute alerts",
    Action.CLOSED: "Close manually",
    Action.REOPENED: "Reopen",
}
"""What the buttons say."""

MUTE_FOR: Final[dict[str, tuple[str, int]]] = {
    "1h": ("for an hour", 1),
    "4h": ("for four hours", 4),
    "12h": ("for twelve hours", 12),
    "24h": ("for a day", 24),
    "72h": ("for three days", 72),
    "168h": ("for a week", 168),
}
"""For how long one may mute alerts: what is sent, what is read, hours."""


def known_incident(visit: Visit, incident_id: str) -> Incident:
    """Give the incident of that id.  Raises AnswerError (404)."""
    found = visit.services.read.incident(incident_id)
    if found is None:
        what = "There is no such incident, or readings that came late have shown that it did not happen."
        raise AnswerError(404, what, where="incident", mend="The incidents are listed at /incidents.")
    return found


def incident_page(visit: Visit, incident: Incident, *, who: str, note: str = "", wrong: str = "") -> IncidentPage:
    """Gather it.  who: the name last given here.  note, wrong: what was typed, and what was wrong with it."""
    read = visit.services.read
    handling = read.nouns(HANDLING, [incident.id]).get(incident.id)
    course = _course(visit, incident)
    # The chart escapes all foreign text itself; a test holds it to that.
    drawn = [Markup("") if course is None else Markup(excursion_chart_svg(course, s)) for s in (WIDE, NARROW)]  # noqa: S704
    number, head = read.record_head()
    related = [one for one in causes.sharing(read, incident) if one.id != incident.id]
    return IncidentPage(
        shell=visit.shell(_title(visit, incident), "/incidents"),
        one=visit.incident(incident, handling),
        means=life_words.SEVERITY_MEANS[incident.severity] if incident.is_open else "",
        handled=life_words.handled_words(handling, visit.now_ms, visit.site.time_zone),
        lines=_lines(visit, incident),
        wood=wood_words(visit, incident),
        chart=drawn[0],
        narrow_chart=drawn[1],
        chart_of=""
        if course is None
        else f"{digits.short(course.quantity)}, {digits.unit(course.quantity, course.units)}".removesuffix(", "),
        chart_words="" if course is None else describe(course),
        related=visit.incidents(related),
        form=_form(visit, incident, handling, who=who, note=note, wrong=wrong),
        journal=journal_rows(visit, incident),
        sent=tuple(_sent(visit, notice) for notice in read.notices(incident=incident.id)),
        head=f"Newest entry of the record: number {number}, {head}",
    )


def wood_words(visit: Visit, incident: Incident) -> str:
    """Say what the incident did to the wood: reckoned anew while it goes on, else as it was put down, if it was."""
    if incident.wood and not incident.is_open:
        return incident.wood
    return affected.sentence(visit.services.read, visit.site, incident, now_ms=visit.now_ms)


def journal_rows(visit: Visit, incident: Incident) -> tuple[JournalRow, ...]:
    """Print what the record has of an incident, oldest first."""
    read, zone = visit.services.read, visit.site.time_zone
    found = journal(read.history("incident", incident.id), read.history("handling", incident.id), zone)
    return tuple(
        JournalRow(
            number=line.number,
            when=visit.full_instant(line.at_ms),
            by=line.by,
            what=line.what,
            note=line.note,
            hash=line.hash,
            is_news=line.is_news,
        )
        for line in found
    )


def _title(visit: Visit, incident: Incident) -> str:
    room = visit.site.room(incident.room)
    named = room.title if room else incident.room or visit.site.name
    return f"{named}: {KINDS[incident.kind].word}"


def _lines(visit: Visit, incident: Incident) -> tuple[Line, ...]:
    units, zone = visit.units, visit.site.time_zone
    lines = [
        Line("Began", words.instant(incident.began_ms, zone)),
        Line("Opened", words.instant(incident.opened_ms, zone)),
    ]
    if incident.closed_ms is not None:
        lines.append(Line("Over", words.instant(incident.closed_ms, zone)))
    ended_ms = visit.now_ms if incident.closed_ms is None else incident.closed_ms
    lasted = words.duration_ms(max(0, ended_ms - incident.began_ms))
    lines.append(Line("Lasted" if incident.closed_ms else "Lasts so far", lasted))
    sensor = visit.site.sensor(incident.sensor)
    lines.append(Line("Sensor", visit.sensor_title(sensor) if sensor else incident.sensor or "none"))
    name = incident.quantity
    if name is not None and incident.bound is not None and incident.worst_value is not None:
        side = "at most" if incident.worst_value > incident.bound else "at least"
        lines.append(Line("Limit", f"{digits.short(name)} {side} {digits.limit(name, incident.bound, units)}"))
        at = f", {visit.instant(incident.worst_at_ms)}" if incident.worst_at_ms is not None else ""
        lines.append(Line("At worst", f"{digits.amount(name, incident.worst_value, units)}{at}"))
    if excess := life_words.excess_words(incident, units):
        lines.append(Line("Total exceedance", excess))
    if incident.revised_ms is not None:
        lines.append(Line("Revised", f"{words.instant(incident.revised_ms, zone)}, when readings came late"))
    return tuple(lines)


def _form(
    visit: Visit, incident: Incident, handling: Handling | None, *, who: str, note: str, wrong: str
) -> ActionForm:
    stands = life(incident, handling, visit.now_ms)
    actions = {
        Life.ACTIVE: (Action.ACKNOWLEDGED, Action.NOTED, Action.MUTED, Action.CLOSED),
        Life.ACKNOWLEDGED: (Action.NOTED, Action.MUTED, Action.CLOSED),
        Life.MUTED: (Action.NOTED, Action.UNMUTED, Action.MUTED, Action.CLOSED),
        Life.CLOSED_MANUALLY: (Action.NOTED, Action.REOPENED),
        Life.ENDED: (Action.NOTED,),
    }[stands]
    return ActionForm(
        action=visit.link(f"{visit.address.removesuffix('/actions')}/actions"),
        buttons=tuple(Choice(action.value, BUTTONS[action], number == 0) for number, action in enumerate(actions)),
        mute_for=tuple(Choice(key, said, key == "12h") for key, (said, _) in MUTE_FOR.items())
        if Action.MUTED in actions
        else (),
        who=who,
        note=note,
        wrong=wrong,
    )


def _sent(visit: Visit, notice: Notice) -> SentRow:
    became = {
        NoticeState.SENT: f"sent {visit.instant(notice.sent_ms)}" if notice.sent_ms is not None else "sent",
        NoticeState.REFUSED: f"refused: {notice.last_error}",
    }.get(notice.state, f"{STATE_WORDS[notice.state]}{f': {notice.last_error}' if notice.last_error else ''}")
    return SentRow(f"{notice.channel} to {notice.recipient}: {NOTICE_WORDS[notice.kind]}", became)


def _course(visit: Visit, incident: Incident) -> Course | None:
    """Gather the course of the incident's quantity; None where it has none, or its sensor is gone."""
    name, room = incident.quantity, visit.site.room(incident.room)
    if name is None or room is None or visit.site.sensor(incident.sensor) is None:
        return None
    ended_ms = visit.now_ms if incident.closed_ms is None else incident.closed_ms
    around_ms = max(LEAST_AROUND_MS, (ended_ms - incident.began_ms) // 4)
    from_ms = max(incident.began_ms - around_ms, ended_ms - LONGEST_MS)
    to_ms = max(min(ended_ms + around_ms, visit.now_ms), from_ms + 60_000)
    edges = np.linspace(from_ms, to_ms, POINTS + 1).astype(np.int64)
    values = _values(visit, incident, edges)
    sensor = visit.site.sensor(incident.sensor)
    if values is None or sensor is None:
        return None
    at_ms, values = _drawable(edges, values, round(sensor.offline_after_s * 1000))
    return Course(
        ident="course",
        title=f"{room.title}: {digits.short(name)} about the incident",
        quantity=name,
        units=visit.units,
        time_zone=visit.site.time_zone,
        at_ms=at_ms,
        value=values,
        bounds=_bounds(visit, incident),
        began_ms=incident.began_ms,
        ended_ms=incident.closed_ms,
        worst_at_ms=incident.worst_at_ms,
        worst=incident.worst_value,
    )


def _values(visit: Visit, incident: Incident, edges: Int64s) -> Floats | None:
    read, sensor = visit.services.read, visit.site.sensor(incident.sensor)
    assert sensor is not None
    assert incident.quantity is not None
    if incident.kind is IncidentKind.WINDOW:
        return read.buckets(SeriesKey(sensor.id, incident.quantity), edges).mean
    entry, room = BY_KEY.get(incident.quantity), visit.site.room(incident.room)
    if entry is None or room is None:
        return None
    if entry.figure is None:
        return None  # marched over the whole of the room's past: too long a way for a page
    plan, sensors = plan_of(room, visit.site.time_zone), visit.site.sensors_of(room.id, Place.AIR)
    figures = Air(read, sensors, plan, room, visit.site.time_zone)
    series = entry.figure(figures, sensor, int(edges[0]), int(edges[-1]))
    place = np.searchsorted(edges, series.at_ms, side="right") - 1
    count = np.bincount(place, minlength=POINTS)[:POINTS]
    total = np.bincount(place, weights=series.value, minlength=POINTS)[:POINTS]
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _drawable(edges: Int64s, values: Floats, silent_ms: int) -> tuple[Int64s, Floats]:
    """Give instants and values between which a line may be drawn: only a gap longer than a silence breaks it."""
    at_ms = (edges[:-1] + edges[1:]) // 2
    known = np.flatnonzero(np.isfinite(values))
    longest_ms = max(silent_ms, int(edges[1] - edges[0]) * 3 // 2)
    gaps = known[:-1][np.diff(at_ms[known]) > longest_ms] + 1
    kept = np.unique(np.concatenate(([0], known, gaps, [len(values) - 1])))
    return at_ms[kept], values[kept]


def _bounds(visit: Visit, incident: Incident) -> Bounds | None:
    """Give what the quantity should have kept: the whole window where it still is the one, else the one bound."""
    room, name, bound, worst = visit.site.room(incident.room), incident.quantity, incident.bound, incident.worst_value
    if name is None or bound is None or worst is None:
        return None
    if incident.kind is IncidentKind.WINDOW and room is not None:
        window = room_window(room, visit.site.time_zone, incident.opened_ms)
        found = window.bounds().get(name) if window else None
        if found is not None and bound in (found.low, found.high):
            return found
    return Bounds(high=bound) if worst > bound else Bounds(low=bound)
