"""All that the web application sees of the rest: clock, reader, adapter health, a way in, a stream of news."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from adapters.contract import QUANTITIES, Reading, Rejection
from ingest.clock import Clock
from ingest.present.digits import Units
from ingest.site.actor import Actor
from ingest.site.editing import Changed
from ingest.site.handling import Asked, Handling
from ingest.site.incidents import Incident, RoomState
from ingest.site.places import Site
from ingest.store.api import Appended, StoreReader


@dataclass(frozen=True, slots=True)
class AdapterStatus:
    """How one adapter fares.  state: "running", "waiting" (to try again), "finished" or "stopped"."""

    name: str
    kind: str
    describes: str
    state: str
    restarts: int = 0
    readings: int = 0
    rejected: Mapping[str, int] = field(default_factory=dict)  # reason -> count
    last_heard_ms: int | None = None
    error: str = ""  # the last error, a sentence with its mend; empty while all is well
    errors: int = 0  # failures since the start
    stated: tuple[str, ...] = ()  # what its sensors say of themselves, a line each
    per_hour: float | None = None  # readings an hour, over the last hour; None while that is not known
    last_rejected: str = ""  # what of the last rejection arrived: its reason, its sensor, its text


@dataclass(frozen=True, slots=True)
class ForwardingStatus:
    """How forwarding to a central engine fares.

    engine: its address.  behind: changes not delivered yet.  lag_s: how old the oldest of them is (s).
    past_left_s: how much time of the past, from before the engine was wired, is still to go out (s).
    set_aside: readings that the engine refuses.  error: what keeps readings from arriving, or empty.
    refused: which one was refused last, and the engine's words; or empty.
    """

    engine: str
    behind: int = 0
    lag_s: float = 0.0
    past_left_s: float = 0.0
    set_aside: int = 0
    error: str = ""
    refused: str = ""


@dataclass(frozen=True, slots=True)
class RoomStanding:
    """How a room stands towards its window now, with the reason in one sentence.

    since_ms: since when it has been in this state (event time).  silent: ids of its sensors that are not heard.
    """

    room: str
    state: RoomState
    reason: str
    since_ms: int | None
    silent: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Submitted:
    """What became of readings that were handed in: counts, and each one refused with its reason.

    refused: beside each rejection, which of the readings it is about, counted from 0.
    """

    appended: Appended
    rejections: tuple[Rejection, ...] = ()
    refused: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class DeviceRight:
    """What a device may do that showed its key.  sensors: what it may write, names or beginnings with a * behind."""

    name: str
    sensors: tuple[str, ...]

    def allows(self, sensor: str) -> bool:
        """Say whether readings of this sensor may come from it."""
        return any(sensor.startswith(one[:-1]) if one.endswith("*") else sensor == one for one in self.sensors)


@dataclass(frozen=True, slots=True)
class DeviceKeyStatus:
    """A device's key as people see it.  Instants: UTC ms; None = never."""

    name: str
    sensors: tuple[str, ...]
    made_ms: int
    last_used_ms: int | None = None
    revoked_ms: int | None = None


@dataclass(frozen=True, slots=True)
class News:
    """Something changed: rooms whose figures moved, incidents that opened or closed."""

    at_ms: int
    rooms: tuple[str, ...] = ()
    incidents: tuple[Incident, ...] = ()


@dataclass(frozen=True, slots=True)
class CaughtMail:
    """A mail that the demonstration's catcher holds."""

    number: int
    at_ms: int
    sender: str
    recipient: str
    subject: str
    text: str
    html: str | None = None


@dataclass(frozen=True, slots=True)
class Sighting:
    """Something within reach of this computer.

    id: by which it is assigned.  way: "serial", "bluetooth", "mqtt", or "adapter" where a running adapter hears it.
    figures: newest values by quantity ("number" where nobody knows of what).  moved: by how much each differs from the
    first one since somebody looks.  moving: whether a figure has just risen, as when one breathes on a sensor.
    read_by: the adapter that reads it already, or empty.  room: id of the room that it belongs to, or empty.
    names_itself: whether its name is its own; else it is chosen on assigning.  asks_quantity: whether what it measures
    must be said.  asks_each: the figures of which each must be said what it is, or left out.  lacks: why it cannot be
    assigned by a click, or empty.  wiring: the lines of the settings file for it.
    """

    id: str
    way: str
    address: str
    sensor: str
    figures: Mapping[str, float] = field(default_factory=dict)
    moved: Mapping[str, float] = field(default_factory=dict)
    moving: bool = False
    heard_ms: int | None = None
    note: str = ""
    read_by: str = ""
    room: str = ""
    names_itself: bool = True
    asks_quantity: bool = False
    asks_each: tuple[str, ...] = ()
    lacks: str = ""
    wiring: str = ""


@dataclass(frozen=True, slots=True)
class Reach:
    """What is within reach.

    looking: whether anything is being listened to now.  where: what that is, for people.  troubles: what cannot be
    looked at, a sentence each.  tired: it has stopped because somebody left the page open for long.
    """

    looking: bool
    where: tuple[str, ...] = ()
    sightings: tuple[Sighting, ...] = ()
    troubles: tuple[str, ...] = ()
    tired: bool = False


NUMBERS_MAY_BE: Final[Mapping[str, str]] = {name: name for name in QUANTITIES} | {"temperature_f": "temperature_c"}
"""What a number that does not say it may be, and the quantity that it is kept as."""


@dataclass(frozen=True, slots=True)
class Assignment:
    """What somebody wants: this sighting as a sensor of this room.

    sensor: its name, where that is ours to choose.  quantity: what its number is, where that must be said.  each: what
    each of its figures is, where that must be said; those that are left out are not read.  by: who.
    """

    sighting: str
    room: str
    by: str
    place: str = "air"
    title: str = ""
    sensor: str = ""
    quantity: str = ""
    each: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Assigned:
    """What became of it.

    sensor: its name.  room: id of its room.  done: sentences.  to_copy: lines that somebody must put into the wiring
    file by hand; empty where there is nothing left to do.
    """

    sensor: str
    room: str
    done: tuple[str, ...]
    to_copy: str = ""


@dataclass(frozen=True, slots=True)
class ActionView:
    """What a signed link would do, or has done.

    wording: what it does, "Acknowledge".  who: to whom it was sent.  room: its title.  what: the incident in words.
    standing: where people stand with it, or empty.  is_done: whether nothing is left to do.  can_do: whether it still
    could be done, were it not.
    """

    wording: str
    who: str
    room: str
    what: str
    standing: str
    is_done: bool
    can_do: bool


class Actions(Protocol):
    """What signed links can do. All raise RefusedError for a link that is not ours, has expired, or came too late."""

    public_address: str  # where the world reaches these pages; empty for nowhere

    def view(self, token: str) -> ActionView:
        """Say what a link would do, doing nothing. Reads the store: not for the event loop."""
        ...

    async def do(self, token: str) -> ActionView:
        """Do what a link is for; done twice, it is done once. Raises StorageError where it could not be written."""
        ...


class SiteSetup(Protocol):
    """The site setup as it stands, and the one way to change it while the daemon runs.

    number: of its newest entry in the log.  differing: in what an edited settings file contradicts it, in words.
    """

    @property
    def site(self) -> Site:
        """Give it, windows as they are set."""
        ...

    @property
    def number(self) -> int:
        """Give the number of its newest entry in the log."""
        ...

    @property
    def differing(self) -> Sequence[str]:
        """Say in what an edited settings file contradicts it."""
        ...

    async def change(self, edit: Callable[[Site], Site], *, by: Actor, based_on: int | None = None) -> Changed:
        """Change it in one commit, kept with what was before, and tell it as news.

        Raises what `edit` raises, ConflictError where it is not number `based_on` any more, StorageError.
        """
        ...


class Services(Protocol):
    """The narrow door between the web application and the daemon.

    What is not async is called from worker threads and may read the store; `submit` and `news` are for the event loop.
    """

    clock: Clock
    read: StoreReader
    units: Units  # in which the people of this site read, unless a page is asked for in others
    looks_around: bool  # whether sensors within reach can be looked for, and assigned
    setup: SiteSetup | None  # the site setup, where it can be changed; None in an office
    actions: Actions | None  # signed links; None where none are made
    demo_speed: float | None  # None on a real site; else how many times faster than real the demonstration runs

    def site(self) -> Site:
        """Give the job as it stands."""
        ...

    def standing(self, room: str) -> RoomStanding:
        """Say how a room stands towards its window."""
        ...

    def adapters(self) -> Sequence[AdapterStatus]:
        """Say how each adapter fares."""
        ...

    def unassigned_sensors(self) -> Mapping[str, int]:
        """Give sensors that were heard but belong to no room, with when they were last reading (UTC ms)."""
        ...

    def mails(self) -> Sequence[CaughtMail]:
        """Give the mails that the demonstration caught; empty on a real site."""
        ...

    def forwarding(self) -> ForwardingStatus | None:
        """Say how forwarding to a central engine fares; None where none is wired."""
        ...

    def push_token_matches(self, token: str) -> bool:
        """Say whether a bearer token may push readings (compared in constant time); always False where none is set."""
        ...

    def device_right(self, token: str) -> DeviceRight | None:
        """Give what a device may do by this key, and note that it was used; None where no such key holds."""
        ...

    def device_keys(self) -> Sequence[DeviceKeyStatus]:
        """Give the keys of devices, those that hold first."""
        ...

    async def within_reach(self, *, renew: bool = True, again: bool = False) -> Reach:
        """Say what is within reach.

        renew: go on looking for as long as a page is open, which asks now and then; begin where nobody was looking.
        again: begin anew, also after it has stopped by itself.
        """
        ...

    async def assign(self, assignment: Assignment) -> Assigned:
        """Make what is within reach a sensor of a room; its readings are stored and judged from then on.

        Raises InputError for what cannot be (with `where`: the field), RefusedError where it is not there (any more),
        StorageError when it could not be stored.
        """
        ...

    async def submit(self, readings: Sequence[Reading], *, source: str) -> Submitted:
        """Check and store readings; returns once they are durable. Raises StorageError when they could not be."""
        ...

    async def handle(self, asked: Asked) -> Handling:
        """Do what somebody asks about an incident; returns once it stands in the record.

        Raises RefusedError where it cannot be, StorageError when it could not be written.
        """
        ...

    def news(self) -> AsyncIterator[News]:
        """Follow what changes. A slow follower misses old news, never new ones, and holds nobody up."""
        ...

    def health(self) -> Mapping[str, object]:
        """Give the daemon's health as JSON-able figures: status, version, uptime_s, store, adapters, outbox.

        status: "well"; "trouble" while something is wrong that a restart would not mend (a sensor unplugged, a mail
        server away); "failing" while the daemon cannot do its job, and `GET /health` answers 503.  troubles: a sentence
        for each thing that is not well.
        """
        ...
