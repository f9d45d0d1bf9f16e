"""What each page knows: typed, documented contexts. A template sees the fields of its context and nothing else.

Everything here is ready to print: digits, words and times have been through `ingest.present` and the site's zone.
Strings are plain text and get escaped; only `Markup` is markup, and only our own charts are made of it. A test renders
every template with its context and holds both to each other: no field unused, no name undefined.
"""

from __future__ import annotations

from dataclasses import Field, dataclass
from typing import Any, ClassVar, Protocol

from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class Link:
    """A link in a list of links.  here: whether it leads to what is being shown."""

    address: str
    title: str
    here: bool = False
    count: int = 0  # things that ask for attention behind it; 0 shows nothing


@dataclass(frozen=True, slots=True)
class Shell:
    """What the frame around every page shows."""

    title: str  # of the page, before the site's name
    site: str
    links: tuple[Link, ...]
    units: tuple[Link, ...]  # the same page in °C and in °F
    now_words: str  # the clock's present instant in the site's zone: "Tue 25 Nov 2026, 14:32 CET"
    time: str  # the same without the date: "14:32"
    demo_words: str  # how fast a demonstration runs, in a sentence; empty on a real site
    troubles: tuple[str, ...] = ()  # what is not well with the daemon, a sentence each, the worst first
    failing: bool = False  # whether it cannot do its job at present
    times: str = "the site's own"  # whose times they are
    differing: str = ""  # in what an edited settings file contradicts the site setup, and what to do; empty where not

    @staticmethod
    def bare(title: str) -> Shell:
        """Give a frame that needs nothing from the store (for pages that say what is wrong)."""
        return Shell(title, "", (Link("/", "Rooms"),), (), "", "", "")


@dataclass(frozen=True, slots=True)
class Fact:
    """One current figure: what it is, the digits and the unit."""

    quantity: str  # its one name: emc_percent
    label: str  # "EMC"
    title: str  # "Equilibrium moisture content"
    digits: str
    unit: str


@dataclass(frozen=True, slots=True)
class Standing:
    """How a room stands towards its window.  key: "within", "leaving range", ... names the mark and the colour."""

    key: str
    words: str
    reason: str
    since: str  # "since 13:58", empty where not known


@dataclass(frozen=True, slots=True)
class RoomCard:
    """A room on the overview."""

    id: str
    address: str
    title: str
    holds: str
    standing: Standing
    facts: tuple[Fact, ...]
    heard: str  # "2 minutes ago", "on Tue 18 May 2021", "no readings yet"
    stale: bool  # the figures are old: no sensor in the room's air is heard
    silent: tuple[str, ...]  # titles of sensors that are not heard
    chart: Markup  # empty where it is not drawn here


@dataclass(frozen=True, slots=True)
class IncidentRow:
    """An incident in words."""

    id: str
    room: str
    room_address: str
    what: str  # "out of range", "sensor offline"
    reason: str
    is_open: bool
    when: str  # "yesterday 14:05 to 16:20", "since 14:05" while it goes on
    lasted: str  # "2 h 14 min"
    charts: str  # address of the room's page at that time; empty where there is no such room
    address: str  # of its own page
    severity: str  # "slight", "serious", "severe"
    life: str  # "going on", "acknowledged", "closed manually, still active", "over"
    wants: bool  # it goes on, and nobody has acknowledgen it or closed it


@dataclass(frozen=True, slots=True)
class Choice:
    """Something that can be chosen in a form.  value: as sent.  title: as read.  chosen: whether it is."""

    value: str
    title: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class ProblemPage:
    """Something is wrong: what, and what to do."""

    TEMPLATE: ClassVar = "shell/problem.html"

    shell: Shell
    status: int
    title: str
    detail: str
    mend: str


class Page(Protocol):
    """A page's context: a dataclass that names its template."""

    TEMPLATE: ClassVar[str]
    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]
