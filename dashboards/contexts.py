"""What each page knows: typed, documented contexts. A template sees the fields of its context and nothing else.

Everything here is ready to print: digits, words and times have been through `ingest.present` and the site's zone.
Strings are plain text and get escaped; only `Markup` is markup, and only our own charts are made of it. A test renders
every template with its context and holds both to each other: no field unused, no name undefined.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class Link:
    """A link in a list of links.  here: whether it is the page being shown."""

    address: str
    title: str
    here: bool = False


@dataclass(frozen=True, slots=True)
class Shell:
    """What the frame around every page shows."""

    title: str  # of the page, before the site's name
    site: str
    links: tuple[Link, ...]
    now_ms: int | None  # the clock's present instant; None on a page that could not ask it
    now_words: str  # the same in the site's zone: "Tue 25 Nov, 14:32"
    zone: str  # the site's time zone, IANA name
    demo_words: str  # how fast a demonstration runs, in a sentence; empty on a real site
    open_incidents: int

    @staticmethod
    def bare(title: str) -> Shell:
        """Give a frame that needs nothing from the store (for pages that say what is wrong)."""
        return Shell(title, "", (Link("/", "Rooms"),), None, "", "", "", 0)


@dataclass(frozen=True, slots=True)
class Figure:
    """One current figure: what it is, the digits and the unit."""

    quantity: str
    title: str
    digits: str
    unit: str


@dataclass(frozen=True, slots=True)
class Standing:
    """How a room stands towards its window.  key: "within", "drifting", ... names the mark and the colour."""

    key: str
    words: str
    reason: str
    since: str  # "since 13:58", empty where not known


@dataclass(frozen=True, slots=True)
class RoomCard:
    """A room on the overview."""

    id: str
    title: str
    holds: str
    standing: Standing
    figures: tuple[Figure, ...]
    heard: str  # "2 minutes ago", "nothing heard yet"
    stale: bool  # the figures are old: no sensor in the air is heard
    silent: tuple[str, ...]  # titles of sensors that are not heard
    chart: Markup


@dataclass(frozen=True, slots=True)
class OverviewPage:
    """The rooms at a glance."""

    TEMPLATE: ClassVar = "overview.html"

    shell: Shell
    rooms: tuple[RoomCard, ...]
    summary: str  # one sentence over all rooms


@dataclass(frozen=True, slots=True)
class ProblemPage:
    """Something is wrong: what, and what to do."""

    TEMPLATE: ClassVar = "problem.html"

    shell: Shell
    status: int
    title: str
    detail: str
    mend: str


Page = OverviewPage | ProblemPage
