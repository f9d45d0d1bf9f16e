"""The shapes of the JSON answers. Instants come twice: `…_ms` (UTC, ms since 1970) and as ISO 8601 text beside it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from dashboards.shell.problems import Problem
from ingest.site.incidents import IncidentKind
from ingest.site.places import Place

State = Literal["in_range", "leaving_range", "out_of_range", "recovering", "unknown"]
Instant = Annotated[int, Field(description="UTC, milliseconds since 1970")]
InstantText = Annotated[str, Field(description="ISO 8601, UTC", examples=["2026-01-31T14:05:00Z"])]


class _Answer(BaseModel):
    # Figures that are not finite must never get out as NaN, which is not JSON; null says that there is none.
    model_config = ConfigDict(ser_json_inf_nan="null", extra="forbid")


class BoundsAnswer(_Answer):
    """The bounds of one quantity; null where that end is open."""

    low: float | None
    high: float | None


class WindowAnswer(_Answer):
    """A room's acclimation window. Quantities without bounds are left out."""

    bounds: Annotated[dict[str, BoundsAnswer], Field(description="by quantity: temperature_c, rh_percent, emc_percent")]
    dwell_s: Annotated[float, Field(description="how long outside before it counts")]
    return_dwell_s: Annotated[float, Field(description="how long back inside before the incident closes")]


class StandingAnswer(_Answer):
    """How a room stands towards its window."""

    state: State
    reason: Annotated[str, Field(description="one sentence")]
    since_ms: Instant | None
    since: InstantText | None
    silent: Annotated[list[str], Field(description="ids of sensors that are offline")]


class SensorAnswer(_Answer):
    """A sensor of a room."""

    id: str
    title: str
    place: Place
    offline_after_s: float
    heard_ms: Instant | None
    heard: InstantText | None


class RoomAnswer(_Answer):
    """A room: how it stands, its window, its sensors."""

    id: str
    title: str
    holds: str
    standing: StandingAnswer
    window: WindowAnswer | None
    sensors: list[SensorAnswer]


class RoomsAnswer(_Answer):
    """The rooms of the site."""

    site: str
    time_zone: str
    now_ms: Instant
    now: InstantText
    rooms: list[RoomAnswer]


class FigureAnswer(_Answer):
    """The newest value of one quantity of one sensor."""

    sensor: str
    quantity: str
    value: float
    unit: str
    derived: Annotated[bool, Field(description="computed from measured quantities, not measured")]
    at_ms: Instant
    at: InstantText
    age_s: Annotated[float, Field(description="seconds before now; negative where the sensor's clock runs ahead")]


class LatestAnswer(_Answer):
    """A room's newest figures."""

    room: str
    now_ms: Instant
    now: InstantText
    standing: StandingAnswer
    figures: list[FigureAnswer]


class SensorSeries(_Answer):
    """One sensor's series, a value per bucket; null where the bucket holds no reading."""

    sensor: str
    count: list[int]
    min: list[float | None]
    mean: list[float | None]
    max: list[float | None]
    coverage: Annotated[list[float], Field(description="share of the bucket that readings cover, 0 to 1")]


class SeriesAnswer(_Answer):
    """A quantity of a room over a stretch of time, per sensor."""

    room: str
    quantity: str
    unit: str
    from_ms: Instant
    to_ms: Instant
    edges_ms: Annotated[list[int], Field(description="edges of n buckets, n + 1 instants; bucket i holds i <= t < i+1")]
    series: list[SensorSeries]


class HandlingAnswer(_Answer):
    """Where people stand with an incident."""

    acknowledged_ms: Instant | None
    acknowledged_by: str
    muted_until_ms: Instant | None
    closed_ms: Annotated[Instant | None, Field(description="closed manually; it may go on all the same")]
    closed_by: str
    closed_why: str
    note: Annotated[str, Field(description="the newest one")]


class IncidentAnswer(_Answer):
    """Something that happened in a room, or to the station itself."""

    id: str
    room: Annotated[str, Field(description="empty for the station itself")]
    sensor: str
    kind: Annotated[str, Field(description=f"one of {', '.join(one.value for one in IncidentKind)}")]
    open: bool
    life: Annotated[
        Literal["active", "acknowledged", "muted", "closed manually", "ended"],
        Field(description="where it stands between the air and the people"),
    ]
    severity: Annotated[Literal["slight", "serious", "severe"], Field(description="by how far and how long")]
    reason: Annotated[str, Field(description="one sentence")]
    wood: Annotated[str, Field(description="what it did to the wood by the board model, an estimate; may be empty")]
    began_ms: Instant
    began: InstantText
    opened_ms: Instant
    opened: InstantText
    closed_ms: Instant | None
    closed: InstantText | None
    quantity: str | None
    bound: float | None
    worst_value: float | None
    worst_at_ms: Instant | None
    excess_hours: Annotated[
        float | None,
        Field(description="total exceedance (unit times hours); in steps, rounded down, while it goes on"),
    ]
    cause: Annotated[str, Field(description="the same word for incidents of one cause; empty where it stands alone")]
    revised_ms: Annotated[Instant | None, Field(description="when late readings last changed what is said here")]
    handling: Annotated[HandlingAnswer | None, Field(description="null where nobody did anything")]


class IncidentsAnswer(_Answer):
    """Incidents, newest first."""

    incidents: list[IncidentAnswer]
    next_after: Annotated[
        str | None, Field(description="give this as `after` to get those behind these; null when there are none")
    ]


class JournalAnswer(_Answer):
    """An entry of the record about an incident."""

    number: Annotated[int, Field(description="in the record, which is one chain of hashes over everything")]
    at_ms: Instant
    at: InstantText
    by: str
    what: str
    note: str
    hash: str


class SentAnswer(_Answer):
    """A notice about an incident."""

    kind: str
    channel: str
    recipient: str
    state: str
    created_ms: Instant
    sent_ms: Instant | None
    last_error: str


class RecordHeadAnswer(_Answer):
    """The newest entry of the record: noted elsewhere, it pins everything before it."""

    number: int
    hash: str


class IncidentDetailAnswer(_Answer):
    """One incident with everything on record about it."""

    incident: IncidentAnswer
    same_cause: Annotated[list[str], Field(description="ids of the incidents of the same cause, itself among them")]
    journal: Annotated[list[JournalAnswer], Field(description="oldest first")]
    notices: list[SentAnswer]
    record_head: RecordHeadAnswer


class RejectionAnswer(_Answer):
    """A record that was not stored, and why."""

    record: Annotated[int | None, Field(description="which record of the pack, from 0; null for the pack as a whole")]
    reason: Annotated[str, Field(description="one of those of PROTOCOL.md, section 8")]
    detail: str
    sensor: str | None


class ReceivedAnswer(_Answer):
    """What became of the readings that were handed in."""

    stored: Annotated[int, Field(description="stored for the first time")]
    repeated: Annotated[int, Field(description="already there, with the same value")]
    amended: Annotated[
        int, Field(description="already there with another value, which was replaced and kept on record")
    ]
    rejected: Annotated[int, Field(description="not stored")]
    rejections: Annotated[list[RejectionAnswer], Field(description="the rejected ones, the first 100 of them")]


class ReadingsProblem(Problem):
    """Why nothing of a pack was stored: a problem document (RFC 9457) with a line for each record."""

    rejected: Annotated[int, Field(description="records that were not taken")]
    rejections: Annotated[list[RejectionAnswer], Field(description="these records, the first 100 of them")]


class HealthAnswer(BaseModel):
    """Whether the daemon is well.  More figures may stand beside the status; ignore those that you do not know."""

    model_config = ConfigDict(extra="allow")

    status: Annotated[
        Literal["well", "trouble", "failing"],
        Field(
            description="trouble: something is wrong that a restart would not mend (a sensor unplugged, a mail server "
            "away), answered with 200; failing: the daemon cannot do its job, answered with 503"
        ),
    ]
    troubles: Annotated[list[str], Field(description="a sentence for each thing that is wrong")] = []
