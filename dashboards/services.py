"""All that the web application sees of the rest: clock, reader, adapter health, a way in, a stream of news."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from adapters.contract import Reading, Rejection
from ingest.clock import Clock
from ingest.present.digits import Units
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


@dataclass(frozen=True, slots=True)
class ForwardingStatus:
    """How forwarding to a central engine fares.

    engine: its address.  behind: changes not delivered yet.  lag_s: how old the oldest of them is (s).
    past_left_s: how much time of the past, from before the engine was wired, is still to go out (s).
    set_aside: readings that the engine refuses.  error: what keeps readings from arriving, or empty.
    """

    engine: str
    behind: int = 0
    lag_s: float = 0.0
    past_left_s: float = 0.0
    set_aside: int = 0
    error: str = ""


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
    """What became of readings that were handed in: counts, and each one refused with its reason."""

    appended: Appended
    rejections: tuple[Rejection, ...] = ()


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
class DeedView:
    """What a signed link would do, or has done.

    wording: what it does, "I see to it".  who: to whom it was sent.  room: its title.  what: the incident in words.
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


class Deeds(Protocol):
    """What signed links can do. All raise RefusedError for a link that is not ours, has expired, or came too late."""

    public_address: str  # where the world reaches these pages; empty for nowhere

    def view(self, token: str) -> DeedView:
        """Say what a link would do, doing nothing. Reads the store: not for the event loop."""
        ...

    async def do(self, token: str) -> DeedView:
        """Do what a link is for; done twice, it is done once. Raises StorageError where it could not be written."""
        ...


class Services(Protocol):
    """The narrow door between the web application and the daemon.

    What is not async is called from worker threads and may read the store; `submit` and `news` are for the event loop.
    """

    clock: Clock
    read: StoreReader
    units: Units  # in which the people of this site read, unless a page is asked for in others
    deeds: Deeds | None  # signed links; None where none are made
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

    def unknown_senders(self) -> Mapping[str, int]:
        """Give sensors that were heard but belong to no room, with when they were last heard (UTC ms)."""
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

    async def submit(self, readings: Sequence[Reading], *, source: str) -> Submitted:
        """Check and store readings; returns once they are durable. Raises StorageError when they could not be."""
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
