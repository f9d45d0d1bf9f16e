"""The kinds of incidents, a row each: what they are called, how bad they begin, what they are about, what they share.

Letters, pages, severity and causes all read from here. What a kind means for the wood and what to look at first is
`ingest.notices.letters.advice`; when it comes to be is its rule (`ingest.watch.rules.rulebook`).

Figures: common practice, no source.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from typing import Final, NamedTuple

from ingest.site.incidents import IncidentKind, Severity

MINUTE_MS: Final = 60_000


class About(enum.Enum):
    """What an incident is about: of sensors and the station no word about wood is said."""

    AIR = "air"
    SENSOR = "sensor"
    STATION = "station"


class CauseClass(NamedTuple):
    """Incidents of one class that begin within so much time of the first one may have one cause (`watch.causes`)."""

    name: str
    together_ms: int


class Kind(NamedTuple):
    """One kind.

    word: for headings and labels.  begins: how bad it is to begin with.  about: what.  is_summed: whether how far
    outside times how long means something (degree-hours and their like).  cause: its class, None where it is nobody
    else's doing.
    """

    word: str
    begins: Severity = Severity.SERIOUS
    about: About = About.AIR
    is_summed: bool = False
    cause: CauseClass | None = None


_NOT_HEARD: Final = CauseClass("offline", 30 * MINUTE_MS)  # a sensor that speaks twice an hour may have spoken just now
_S, _SENSOR, _STATION = Severity, About.SENSOR, About.STATION

KINDS: Final[Mapping[IncidentKind, Kind]] = {
    # Grows worse: `Rules.serious_margins` and the three beside it say from where on. Rooms cool at different speeds.
    IncidentKind.WINDOW: Kind("out of range", _S.SLIGHT, is_summed=True, cause=CauseClass("window", 120 * MINUTE_MS)),
    # Nobody knows of the room. A power cut reaches all sensors at once.
    IncidentKind.OFFLINE: Kind("sensor offline", about=_SENSOR, cause=_NOT_HEARD),
    # Somebody should look today: a leak, an open window.
    IncidentKind.CHANGE: Kind("changing fast", cause=CauseClass("change", 60 * MINUTE_MS)),
    # The air is still inside.
    IncidentKind.HEADING: Kind("heading out of range", _S.SLIGHT, cause=CauseClass("heading", 120 * MINUTE_MS)),
    # A surface near the dew point wets what lies on it within hours.
    IncidentKind.CONDENSATION: Kind(
        "near condensation", _S.SEVERE, is_summed=True, cause=CauseClass("condensation", 60 * MINUTE_MS)
    ),
    IncidentKind.SLAB: Kind("slab too damp", _S.SEVERE, is_summed=True),  # a covering laid over it can fail
    IncidentKind.STUCK: Kind("sensor stuck", _S.SLIGHT, _SENSOR),  # wants looking at
    IncidentKind.APART: Kind("sensors disagree", _S.SLIGHT, _SENSOR),
    IncidentKind.BATTERY: Kind("battery low", _S.SLIGHT, _SENSOR),  # can wait for the next visit
    IncidentKind.MOULD: Kind("damp for long"),  # somebody should look today
    IncidentKind.DRYING: Kind("dehumidifier takes out too little", is_summed=True),  # the drying stands still
    IncidentKind.BOARDS: Kind("boards away from their moisture content"),
    IncidentKind.CHECK: Kind("sensor to be checked", _S.SLIGHT, _SENSOR),
    IncidentKind.ADAPTER: Kind("adapter down", about=_STATION, cause=_NOT_HEARD),
    IncidentKind.DISK: Kind("disk nearly full", about=_STATION),
    IncidentKind.CLOCK: Kind("clock wrong", about=_STATION),
    IncidentKind.FORWARDING: Kind("forwarding behind", about=_STATION),
}
