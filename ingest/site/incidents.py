"""What the watch concludes: a room's state, incidents, and the notices that must go out about them."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Any


class RoomState(enum.Enum):
    """How a room stands towards its window."""

    IN_RANGE = "in_range"  # inside its window
    LEAVING_RANGE = "leaving_range"  # outside, not yet long enough to matter
    OUT_OF_RANGE = "out_of_range"  # outside for longer than the dwell time: an incident is open
    RECOVERING = "recovering"  # inside again, not yet long enough to close the incident
    UNKNOWN = "unknown"  # no readings yet, or no window set


class IncidentKind(enum.Enum):
    """What an incident is about."""

    WINDOW = "window"  # the room's air left its acclimation window
    OFFLINE = "offline"  # no reading of a sensor for too long
    CHANGE = "change"  # the air changes faster than it should
    HEADING = "heading"  # the present trend leads out of the window
    CONDENSATION = "condensation"  # a surface comes near the air's dew point
    SLAB = "slab"  # the slab is damper than the covering allows
    STUCK = "stuck"  # a sensor gives the same figures for too long
    APART = "apart"  # a sensor disagrees with its neighbours
    BATTERY = "battery"  # a sensor's battery runs low
    MOULD = "mould"  # damp for so long that mould can grow
    DRYING = "drying"  # a dehumidifier takes too little out of the air
    BOARDS = "boards"  # boards have left the moisture content that they should keep, by the estimate
    CHECK = "check"  # a sensor is to be checked against a known air
    ADAPTER = "adapter"  # of the station: an adapter gives nothing
    DISK = "disk"  # of the station: room for readings runs out
    CLOCK = "clock"  # of the station: our clock is wrong
    FORWARDING = "forwarding"  # of the station: readings do not reach the central engine


class Severity(enum.Enum):
    """How bad an incident is, by how far and how long."""

    SLIGHT = "slight"  # worth knowing; can wait for the morning
    SERIOUS = "serious"  # somebody should look today
    SEVERE = "severe"  # harm is likely or near: told at any hour


class Ending(enum.Enum):
    """Why an incident ended."""

    BY_ITSELF = "by_itself"  # as what it is about ended, or it goes on
    NO_WINDOW = "no_window"  # the room has no window any more: nothing got better, and nobody watches it any longer
    NO_SENSOR = "no_sensor"  # the sensor was taken away, likewise
    NO_RULE = "no_rule"  # the rule was switched off or its sensor taken away, likewise


@dataclass(frozen=True, slots=True)
class Incident:
    """Something that happened in a room, or to the station itself (`room` is "" then), and somebody should know.

    began_ms: when the air went out of range (or the sensor was last reading), event time.  opened_ms: when it had
    lasted long enough.  closed_ms: when it was over, None while open.  All UTC ms.
    quantity, bound, worst_value, worst_at_ms: the judged quantity that lay furthest outside in proportion to its
    margin, the bound it passed, its worst value and when; None where the kind has none (a silent sensor).
    reason: one sentence for people, without markup.
    accuracy: how far the sensor may be wrong in that quantity (±), None where nothing is known of it.
    revised_ms: when readings that came late last changed what is said here (our clock), None where none ever did.
    withdrawn_ms: when readings that came late showed that it did not happen; such a one is closed, and no longer found
    among the incidents, but its history stays in the record.
    excess_hours: how far outside times how long, in the quantity's unit times hours (degree-hours, %RH-hours); None
    where the kind has none.  wood: one sentence on what it did to the wood, or empty where nothing can be said.
    cause: the same word for incidents of one cause (heating off: five rooms at once), or empty.  ending: why it ended.
    """

    id: str
    room: str
    sensor: str
    kind: IncidentKind
    began_ms: int
    opened_ms: int
    reason: str
    closed_ms: int | None = None
    quantity: str | None = None
    bound: float | None = None
    worst_value: float | None = None
    worst_at_ms: int | None = None
    accuracy: float | None = None
    revised_ms: int | None = None
    withdrawn_ms: int | None = None
    severity: Severity = Severity.SERIOUS
    excess_hours: float | None = None
    wood: str = ""
    cause: str = ""
    ending: Ending = Ending.BY_ITSELF

    @property
    def is_open(self) -> bool:
        """Whether it is still going on."""
        return self.closed_ms is None


class NoticeKind(enum.Enum):
    """What a notice tells."""

    OPENED = "opened"
    CLOSED = "closed"
    WORSE = "worse"  # its severity has risen
    STILL = "still"  # it is still open, and the quiet that was asked for is over
    UNANSWERED = "unanswered"  # nobody has acknowledgen it, so that the next one is told
    COLLECTED = "collected"  # several incidents in one, held back until now
    DIGEST = "digest"  # how all rooms stand, by the day or the week
    MONTH = "month"  # what a month was like


class NoticeState(enum.Enum):
    """How far a notice has come."""

    WAITING = "waiting"  # to be sent at `due_ms`
    SENT = "sent"  # accepted by the other side
    REFUSED = "refused"  # refused for good; shown on the page
    HELD = "held"  # is told in a collected notice at `due_ms`
    FOLDED = "folded"  # was told in a collected notice
    WITHDRAWN = "withdrawn"  # whom it was for is not told any more


@dataclass(frozen=True, slots=True)
class Notice:
    """A row of the outbox, committed in the transaction of the incident that caused it.

    number: rises in the order of commit.  channel: "mail", "webhook", "publish" or "command".  facts: what the
    composer needs, frozen when committed (JSON-able).  due_ms: not to be tried before.
    """

    number: int
    incident: str
    kind: NoticeKind
    channel: str
    recipient: str
    facts: dict[str, Any]
    created_ms: int
    due_ms: int
    state: NoticeState = NoticeState.WAITING
    attempts: int = 0
    last_error: str = ""
    sent_ms: int | None = None
