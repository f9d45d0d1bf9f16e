"""The incidents page: of all rooms or of one, those of one cause together, without losing any between two pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboards.incidents.context import IncidentGroup, IncidentsPage
from dashboards.shell.contexts import Choice
from dashboards.shell.problems import AnswerError
from dashboards.visit import Visit
from ingest.present.life_words import SEVERITY_WORDS
from ingest.site.incidents import Incident, Severity
from ingest.site.places import Room
from ingest.store.api import RecordReader
from ingest.store.record.incidents import Place
from ingest.watch import causes

PER_PAGE: Final = 50
MOST_OPEN: Final = 500


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which incidents.  room: of this one.  at_least: as severe or more.  only_open: that go on.  after: behind it."""

    room: Room | None = None
    at_least: Severity | None = None
    only_open: bool = False
    after: Place | None = None

    @property
    def room_id(self) -> str | None:
        """The id of the room."""
        return self.room.id if self.room else None


def incidents_page(visit: Visit, wanted: Wanted) -> IncidentsPage:
    """Gather it."""
    read, room_id, at_least = visit.services.read, wanted.room_id, wanted.at_least
    going_on: list[Incident] = []
    if wanted.after is None:
        going_on = read.incidents(room=room_id, only_open=True, at_least=at_least, limit=MOST_OPEN)
    found, older = ([], None) if wanted.only_open else page_of(read, wanted, PER_PAGE)
    state, severity = "open" if wanted.only_open else "", at_least.value if at_least else ""

    def here(after: str = "") -> str:
        return visit.link("/incidents", room=room_id or "", severity=severity, state=state, after=after)

    return IncidentsPage(
        shell=visit.shell(f"Incidents: {wanted.room.title}" if wanted.room else "Incidents", "/incidents"),
        rooms=(
            Choice("", "all rooms", wanted.room is None),
            *(Choice(one.id, one.title, one == wanted.room) for one in visit.site.rooms),
        ),
        severities=(
            Choice("", "of any severity", at_least is None),
            Choice("serious", "serious or severe", at_least is Severity.SERIOUS),
            Choice("severe", "severe", at_least is Severity.SEVERE),
        ),
        states=(
            Choice("", "active or ended", not wanted.only_open),
            Choice("open", "active", wanted.only_open),
        ),
        units_asked=visit.units_asked,
        of_room=wanted.room.title if wanted.room else "",
        narrowed=at_least is not None,
        back=wanted.after is not None,
        only_open=wanted.only_open,
        going_on=grouped(visit, going_on),
        over=grouped(visit, [one for one in found if not one.is_open]),
        older=here(place_text(older)) if older else "",
        newest=here() if wanted.after is not None else "",
    )


def grouped(visit: Visit, found: Sequence[Incident]) -> tuple[IncidentGroup, ...]:
    """Put those of one cause together, each group where its newest one stands."""
    rows = dict(zip([one.id for one in found], visit.incidents(found), strict=True))
    return tuple(
        IncidentGroup(_cause_words(sharing), tuple(rows[one.id] for one in group))
        for group, sharing in causes.by_cause(visit.services.read, found)
    )


def _cause_words(group: Sequence[Incident]) -> str:
    if len(group) < 2:
        return ""
    rooms = len({one.room for one in group})
    counted = f"{rooms} rooms" if rooms > 1 else f"{len(group)} sensors"
    over = sum(not one.is_open for one in group)
    still = f"; {len(group) - over} of {len(group)} still open" if 0 < over < len(group) else ""
    return f"Probably one cause: {counted} within a short time{still}"


def page_of(read: RecordReader, wanted: Wanted, limit: int) -> tuple[list[Incident], Place | None]:
    """Give at most `limit` incidents, newest first, and the place behind which the page after them begins."""
    found = read.incidents(
        room=wanted.room_id,
        only_open=wanted.only_open,
        at_least=wanted.at_least,
        after=wanted.after,
        limit=limit + 1,
    )
    if len(found) <= limit:
        return found, None
    last = found[limit - 1]
    return found[:limit], Place(last.opened_ms, last.id)


def place_text(place: Place) -> str:
    """Write a place for an address or an answer."""
    return f"{place.opened_ms}~{place.incident}"


def place_of(text: str) -> Place | None:
    """Read what `place_text` wrote; None for nothing.  Raises AnswerError (400) for anything else."""
    if not text:
        return None
    opened, mark, incident = text.partition("~")
    if not mark or not incident or not opened.lstrip("-").isdecimal() or len(opened) > 17:
        raise AnswerError(400, "This is no place in the list.", where="after", mend="Give what the page before gave.")
    return Place(int(opened), incident)


def severity_of(text: str) -> Severity | None:
    """Read a severity; None for nothing.  Raises AnswerError (400) that lists them."""
    if not text:
        return None
    found = next((one for one in Severity if one.value == text), None)
    if found is None:
        there = ", ".join(SEVERITY_WORDS.values())
        raise AnswerError(400, f"{text[:60]!r} is no severity.", where="severity", mend=f"They are: {there}.")
    return found
