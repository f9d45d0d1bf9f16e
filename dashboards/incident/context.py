"""What an incident's page knows. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from markupsafe import Markup

from dashboards.shell.contexts import Choice, IncidentRow, Shell


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a list of terms: what it is, and what it is here."""

    term: str
    text: str


@dataclass(frozen=True, slots=True)
class JournalRow:
    """An entry of the record about an incident."""

    number: int
    when: str
    by: str
    what: str
    note: str
    hash: str  # the whole of it
    is_news: bool  # more has happened than that figures grew


@dataclass(frozen=True, slots=True)
class SentRow:
    """A notice about an incident, and what became of it."""

    what: str  # "mail to kay@example.org: opened"
    became: str  # "sent 14:06", "waiting", "refused: mailbox unavailable"


@dataclass(frozen=True, slots=True)
class ActionForm:
    """The form in which somebody does something about an incident.

    buttons: what can be done now; value: the action, title: its words.  mute_for: for how long alerts may be muted;
    empty where that makes no sense.  who: the name last given on this computer.
    note: words that were typed before something was wrong.  wrong: what that was; empty where nothing.
    """

    action: str
    buttons: tuple[Choice, ...]
    mute_for: tuple[Choice, ...]  # for how long to be quiet; empty where that makes no sense
    who: str
    note: str
    wrong: str


@dataclass(frozen=True, slots=True)
class IncidentPage:
    """One incident: what it is, how bad, what it did to the wood, its course, who did what, everything on record."""

    TEMPLATE: ClassVar = "incident/page.html"

    shell: Shell
    one: IncidentRow
    means: str  # what its severity asks for
    handled: str  # who did what, in sentences; empty where nobody did anything
    lines: tuple[Line, ...]
    wood: str  # what it did to the wood, a sentence; empty where nothing can be said
    chart: Markup  # empty where there is nothing to draw
    narrow_chart: Markup
    chart_of: str  # its quantity and unit, "RH, %"; empty where there is no chart
    chart_words: str
    related: tuple[IncidentRow, ...]  # those of the same cause
    form: ActionForm
    journal: tuple[JournalRow, ...]
    sent: tuple[SentRow, ...]
    head: str  # number and hash of the record's newest entry
