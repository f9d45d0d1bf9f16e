"""What the incidents page knows. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from dashboards.shell.contexts import Choice, IncidentRow, Shell


@dataclass(frozen=True, slots=True)
class IncidentGroup:
    """Incidents that are shown together.  cause: why, "One cause: 3 rooms"; empty for one that stands by itself."""

    cause: str
    rows: tuple[IncidentRow, ...]


@dataclass(frozen=True, slots=True)
class IncidentsPage:
    """Incidents of all rooms or of one: those going on, and those that are over, newest first, a page at a time."""

    TEMPLATE: ClassVar = "incidents/page.html"

    shell: Shell
    rooms: tuple[Choice, ...]  # "" is all of them
    severities: tuple[Choice, ...]  # "" is all of them
    states: tuple[Choice, ...]  # "" is all of them, "open" those that go on
    units_asked: str  # to be kept when choosing in the form; empty for the site's own
    of_room: str  # title of the room whose they are; empty for all
    narrowed: bool  # not all severities are shown
    back: bool  # whether this is a page further back, which does not tell what is going on
    only_open: bool  # whether only those are shown that go on
    going_on: tuple[IncidentGroup, ...]
    over: tuple[IncidentGroup, ...]
    older: str  # address of the next page of those that are over; empty at the end
    newest: str  # address of the first page, where this is one further back
