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
    """How a room stands towards its window.  key: "within", "drifting", ... names the mark and the colour."""

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
    heard: str  # "2 minutes ago", "on Tue 18 May 2021", "nothing heard yet"
    stale: bool  # the figures are old: no sensor in the room's air is heard
    silent: tuple[str, ...]  # titles of sensors that are not heard
    chart: Markup  # empty where it is not drawn here


@dataclass(frozen=True, slots=True)
class OverviewPage:
    """The rooms at a glance."""

    TEMPLATE: ClassVar = "overview.html"

    shell: Shell
    rooms: tuple[RoomCard, ...]
    summary: str  # one sentence over all rooms
    not_drawn: str  # of how many rooms there is no picture here, and why; empty where all have theirs


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
    now: str  # "52.3 %", "–" where nothing was heard
    outside: bool


@dataclass(frozen=True, slots=True)
class IncidentRow:
    """An incident in words."""

    id: str
    room: str
    room_address: str
    what: str  # "out of its window", "sensor silent"
    reason: str
    is_open: bool
    when: str  # "yesterday 14:05 to 16:20", "since 14:05" while it goes on
    lasted: str  # "2 h 14 min"
    charts: str  # address of the room's page at that time; empty where there is no such room
    address: str  # of its own page
    severity: str  # "slight", "serious", "severe"
    life: str  # "going on", "in hand", "closed by hand, still going on", "over"
    wants: bool  # it goes on, and nobody has taken it in hand or closed it


@dataclass(frozen=True, slots=True)
class IncidentGroup:
    """Incidents that are shown together.  cause: why, "One cause: 3 rooms"; empty for one that stands by itself."""

    cause: str
    rows: tuple[IncidentRow, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """Something that can be chosen in a form.  value: as sent.  title: as read.  chosen: whether it is."""

    value: str
    title: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class SpanRow:
    """One row of the table that says the time chart in figures; each cell is "low – mean – high" or "–"."""

    when: str
    cells: tuple[str, ...]
    covered: str  # how much of the stretch readings vouch for: "all", "64 %", "none"


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

    TEMPLATE: ClassVar = "room.html"

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


@dataclass(frozen=True, slots=True)
class IncidentsPage:
    """Incidents of all rooms or of one: those going on, and those that are over, newest first, a page at a time."""

    TEMPLATE: ClassVar = "incidents.html"

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
class DeedForm:
    """The form in which somebody does something about an incident.

    buttons: what can be done now; value: the deed, title: its words.  who: the name last given on this computer.
    note: words that were typed before something was wrong.  wrong: what that was; empty where nothing.
    """

    action: str
    buttons: tuple[Choice, ...]
    quiet: tuple[Choice, ...]  # for how long to be quiet; empty where that makes no sense
    who: str
    note: str
    wrong: str


@dataclass(frozen=True, slots=True)
class IncidentPage:
    """One incident: what it is, how bad, what it did to the wood, its course, who did what, everything on record."""

    TEMPLATE: ClassVar = "incident.html"

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
    form: DeedForm
    journal: tuple[JournalRow, ...]
    sent: tuple[SentRow, ...]
    head: str  # number and hash of the record's newest entry


@dataclass(frozen=True, slots=True)
class AdapterRow:
    """How one adapter fares."""

    name: str
    describes: str
    state: str  # "running", "waiting", ...: names the mark
    readings: str  # "12 408 readings"
    heard: str
    pace: str  # "about 12 a minute", empty while that is not known
    restarts: str  # "restarted 3 times", empty when never
    failures: str  # "failed 4 times", empty when never
    rejected: tuple[str, ...]  # "checksum wrong: 14"
    last_rejected: str  # "checksum wrong: [{"bn":..."
    error: str
    stated: tuple[str, ...]  # "hall-1, temperature_c: renewed every 60 s"


@dataclass(frozen=True, slots=True)
class StrangerRow:
    """A sender that belongs to no room."""

    sensor: str
    heard: str


@dataclass(frozen=True, slots=True)
class NoticeRow:
    """A notice of the outbox that has not simply been sent."""

    number: int
    what: str  # "mail to kay@example.org: opened"
    state: str  # "waiting", "held back", "refused"
    since: str
    attempts: str
    error: str
    is_refused: bool


@dataclass(frozen=True, slots=True)
class ArrivalsPage:
    """What comes in, what is turned away and why, who is not known, and what does not get out."""

    TEMPLATE: ClassVar = "arrivals.html"

    shell: Shell
    adapters: tuple[AdapterRow, ...]
    strangers: tuple[StrangerRow, ...]
    notices: tuple[NoticeRow, ...]
    sent: str  # how many notices went out, a sentence
    forwarding: str  # how forwarding to a central engine fares, a sentence; empty where none is wired
    forwarding_error: str  # what keeps readings from arriving there


@dataclass(frozen=True, slots=True)
class ReachFigure:
    """A figure of something within reach.  moved: how far it has risen or fallen since somebody looks, or empty."""

    label: str
    digits: str
    unit: str
    moved: str  # "▲ 12.4 points", "▼ 0.3 °C"


@dataclass(frozen=True, slots=True)
class SightingRow:
    """Something within reach."""

    id: str
    sensor: str
    way: str  # "Serial line", "Bluetooth", "MQTT", "Heard by hall-usb"
    address: str
    figures: tuple[ReachFigure, ...]
    carried: tuple[str, ...]  # signal and battery: "signal −60 dBm"
    moving: bool
    heard: str
    note: str
    adopt: str  # address of the page that gives it a room; empty where that cannot be
    lacks: str  # why not
    wiring: str  # the lines of the wiring file that would read it
    belongs: str  # title of the room that it belongs to, or empty


@dataclass(frozen=True, slots=True)
class KeyRow:
    """The key of a device that hands readings in."""

    name: str
    sensors: str
    used: str  # "used 2 minutes ago", "never used"
    revoked: str  # "revoked on …", empty while it holds


@dataclass(frozen=True, slots=True)
class ReachPage:
    """What is within reach of this computer, with figures that move."""

    TEMPLATE: ClassVar = "reach.html"

    shell: Shell
    looking: str  # what is listened to, a sentence; or why nothing is
    tired: bool
    homeless: tuple[SightingRow, ...]
    housed: tuple[SightingRow, ...]
    troubles: tuple[str, ...]
    keys: tuple[KeyRow, ...]
    again: str  # where to ask to look again


@dataclass(frozen=True, slots=True)
class NumberAsked:
    """A number of a document of which somebody must say what it is.  name: of the field."""

    name: str
    pointer: str
    value: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class AdoptPage:
    """Gives what is within reach a room.  wrong: the field that must be mended; said: what is wrong with it."""

    TEMPLATE: ClassVar = "adopt.html"

    shell: Shell
    sighting: SightingRow
    names_itself: bool
    needs_adapter: bool  # whether lines go into the wiring file
    rooms: tuple[Choice, ...]
    places: tuple[Choice, ...]
    quantities: tuple[Choice, ...]  # of what its number may be; empty where it says so itself
    each: tuple[NumberAsked, ...]  # its numbers, where each must be said
    sensor: str
    title: str
    by: str
    wrong: str
    said: str
    action: str
    back: str


@dataclass(frozen=True, slots=True)
class AdoptedPage:
    """What became of it."""

    TEMPLATE: ClassVar = "adopted.html"

    shell: Shell
    done: tuple[str, ...]
    to_copy: str
    room: Link
    back: str


@dataclass(frozen=True, slots=True)
class MailRow:
    """A mail that the demonstration caught."""

    address: str
    subject: str
    recipient: str
    when: str


@dataclass(frozen=True, slots=True)
class MailsPage:
    """The mails that the demonstration caught, newest first, and one of them opened."""

    TEMPLATE: ClassVar = "mails.html"

    shell: Shell
    mails: tuple[MailRow, ...]


@dataclass(frozen=True, slots=True)
class MailPage:
    """One caught mail: its text, and its HTML in a frame that can do nothing."""

    TEMPLATE: ClassVar = "mail.html"

    shell: Shell
    mail: MailRow
    sender: str
    text: str
    html_address: str  # of the HTML part; empty where there is none


@dataclass(frozen=True, slots=True)
class ProblemPage:
    """Something is wrong: what, and what to do."""

    TEMPLATE: ClassVar = "problem.html"

    shell: Shell
    status: int
    title: str
    detail: str
    mend: str


@dataclass(frozen=True, slots=True)
class DeedPage:
    """What a signed link is about, and the question whether to do it.

    who: to whom it was sent.  what: the incident in a sentence.  standing: where people stand with it, or empty.
    verdict: how it stands with the deed; empty while it is still to be done.  asks: whether the button is there.
    """

    TEMPLATE: ClassVar = "signed_link.html"

    site: str
    wording: str  # "I see to it"
    who: str
    room: str
    what: str
    standing: str
    verdict: str
    asks: bool


Page = (
    OverviewPage
    | RoomPage
    | IncidentsPage
    | IncidentPage
    | ArrivalsPage
    | ReachPage
    | AdoptPage
    | AdoptedPage
    | MailsPage
    | MailPage
    | DeedPage
    | ProblemPage
)
