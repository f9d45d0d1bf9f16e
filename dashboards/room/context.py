"""What a room's page knows. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from markupsafe import Markup

from dashboards.shell.contexts import Choice, Fact, IncidentRow, RoomCard, Shell


@dataclass(frozen=True, slots=True)
class SensorRow:
    """A sensor of a room: where it hangs and what it told last."""

    id: str
    title: str
    place: str  # "in the room's air", "in the slab"
    facts: tuple[Fact, ...]
    heard: str
    silent: bool


@dataclass(frozen=True, slots=True)
class BoundRow:
    """One bound of a room's window, and where the air stands."""

    title: str
    bounds: str  # "30 to 50 %"
    now: str  # "52.3 %", "–" where there are no readings
    outside: bool


@dataclass(frozen=True, slots=True)
class SpanRow:
    """One row of the table that says the time chart in figures; each cell is "low – mean – high" or "–"."""

    when: str
    cells: tuple[str, ...]
    covered: str  # how much of the stretch readings cover: "all", "64 %", "none"


@dataclass(frozen=True, slots=True)
class TimeChart:
    """What the time chart is drawn from (its script asks the series endpoint), and the same as a table."""

    plan: str  # JSON for the script: what to ask for and how to print it; goes into a data attribute, escaped
    stretch: str  # which stretch it is: "30 days up to now", "Thu 21 Jan 2021, 12:00 EET to Sat 20 Feb 2021, 12:00 EET"
    earlier: str  # addresses of the stretch before this one, of the one after it (empty now) and of now (empty now)
    later: str
    back_to_now: str
    until: str  # as sent by the form; empty when it is up to now
    day: str  # of the form's date field: "2021-02-20"; empty when it is up to now
    today: str  # the last day that can be chosen
    spans: tuple[Choice, ...]
    quantities: tuple[Choice, ...]
    head: tuple[str, ...]  # of the table, a column per chosen quantity
    rows: tuple[SpanRow, ...]


@dataclass(frozen=True, slots=True)
class Newest:
    """Where a room's newest readings are, when they are not of today."""

    when: str  # "Tue 18 May 2021, 08:05 EEST"
    address: str  # of the room's page at that time


@dataclass(frozen=True, slots=True)
class StripPiece:
    """Some hours in which the room stood alike.  kind: "within", "out", "unknown", or "known" where none judges."""

    kind: str
    begins: int  # hours after the beginning of the week
    hours: int


@dataclass(frozen=True, slots=True)
class WeekFigures:
    """A quantity over a week.  mean: "33.1", "–" where not known.  range: "18.0 … 52.2", empty where not known."""

    mean: str
    range: str


@dataclass(frozen=True, slots=True)
class WeekRow:
    """What a week did in a room."""

    when: str  # its Monday: "11 Jan 2021"
    so_far: bool  # it is not over
    address: str  # of this page, looking at that week
    key: str  # names the colour: "within", "out", ...
    state: str  # "kept", "left", ...
    told: str  # the conclusion, a sentence or two
    pieces: tuple[StripPiece, ...]
    strip_hours: int  # how many hours the whole week has
    strip_words: str  # "3 days 1 h in, 3 days 23 h out"
    temperature: WeekFigures
    rh: WeekFigures
    emc: WeekFigures


@dataclass(frozen=True, slots=True)
class WeeksTable:
    """A room week by week, newest first, and what these figures are not."""

    rows: tuple[WeekRow, ...]
    temperature_unit: str
    note: str
    caution: str


@dataclass(frozen=True, slots=True)
class RoomPage:
    """One room: how it stands, the window chart, its history, its sensors and incidents.

    How it stands, its figures and its sensors are always those of now; charts, table and incidents those of the
    stretch that is looked at.
    """

    TEMPLATE: ClassVar = "room/page.html"

    shell: Shell
    room: RoomCard
    newest: Newest | None  # where the newest reading is old and the page shows another stretch
    then: str  # the end of a stretch of the past, "Sat 20 Feb 2021, 12:00 EET"; empty when it ends now
    then_words: str  # what the window chart shows of that day, in sentences; empty when it ends now
    bounds: tuple[BoundRow, ...]
    window_words: str  # how long it must lie outside before it counts; empty without a window
    narrow_chart: Markup
    history: TimeChart
    weeks: WeeksTable
    units_asked: str  # to be kept when choosing in the form; empty for the site's own
    sensors: tuple[SensorRow, ...]
    incidents: tuple[IncidentRow, ...]
    all_incidents: str  # address of all of this room's
