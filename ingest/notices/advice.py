"""What an excursion means for the wood, what to look at first, and the cautions: wording as data.

All of it is common practice, no source, save where a line says so. One careful sentence each: lumberroom measures the
air at its sensors and nothing else, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ingest.site.incidents import Incident, IncidentKind


@dataclass(frozen=True, slots=True)
class Advice:
    """What to say about one way of leaving a window."""

    short: str  # "too damp"
    meaning: str
    check: tuple[str, ...]
    cautions: tuple[str, ...] = ()


MEASURE_FIRST: Final = (
    "These are readings of the air at the sensors, not of the wood. Before you lay, load or release anything, measure "
    "the wood and the subfloor themselves and follow the maker's instructions and local codes."
)
_MOULD: Final = (
    "Air that stays damp lets mould grow. If you see or smell it, or find standing or dirty water near anything "
    "electric, keep out until a qualified person has cleared the place."
)
_SENSOR: Final = "The sensor itself: has it been moved, or is it in a draught, in the sun, wet, or against a cold wall?"

ADVICE: Final[Mapping[tuple[str, str], Advice]] = {
    ("rh_percent", "above"): Advice(
        "too damp",
        "Wood that stays in air this damp takes up moisture and swells: surfaces follow within hours, boards over days "
        "to weeks.",
        (
            "Doors and windows: is one open to damp or warm outside air?",
            "Water: a leak, wet trades at work, fresh screed or plaster, goods brought in wet.",
            "The dehumidifier, if there is one: running, tank or hose, filter.",
            "The heating: a room that cools down becomes damper by itself.",
            _SENSOR,
        ),
        (_MOULD,),
    ),
    ("rh_percent", "below"): Advice(
        "too dry",
        "Wood that stays in air this dry gives off moisture and shrinks: gaps and checks appear over days to weeks, "
        "thin and unfinished pieces first.",
        (
            "The heating: is it set higher than usual, or is a heater standing close by?",
            "The humidifier, if there is one: running, filled.",
            "The dehumidifier: is it still running although the target has been reached?",
            "Ventilation: outside air in frost is very dry once it has been warmed.",
            _SENSOR,
        ),
    ),
    ("temperature_c", "above"): Advice(
        "too warm",
        "Warmth by itself moves wood little, but it dries the air around it, and adhesives, finishes and screeds have "
        "limits of their own.",
        (
            "The heating and its control; a heater left on.",
            "Sun on the windows, machines or lamps running.",
            _SENSOR,
        ),
    ),
    ("temperature_c", "below"): Advice(
        "too cold",
        "Cold by itself moves wood little, but the same air becomes damper as it cools, and adhesives, finishes and "
        "screeds have limits of their own.",
        (
            "The heating: power, fuel, control, a tripped fuse.",
            "Doors, windows and loading gates.",
            "Near freezing: water pipes and anything that must not freeze.",
            _SENSOR,
        ),
        ("Leave electric and gas appliances to those who are licensed to work on them.",),
    ),
    ("emc_percent", "above"): Advice(
        "too damp for the wood",
        "Wood left in this air would in the end come to about the EMC given here, and swell on the way; boards take "
        "days to weeks, surfaces hours.",
        (
            "Damp getting in: an open door or window, a leak, wet trades at work.",
            "The dehumidifier, if there is one: running, tank or hose, filter.",
            "The heating: a room that cools down becomes damper by itself.",
            _SENSOR,
        ),
        (_MOULD,),
    ),
    ("emc_percent", "below"): Advice(
        "too dry for the wood",
        "Wood left in this air would in the end come to about the EMC given here, and shrink on the way; boards take "
        "days to weeks, surfaces hours.",
        (
            "The heating: is it set higher than usual, or is a heater standing close by?",
            "The humidifier, if there is one: running, filled.",
            "Ventilation: outside air in frost is very dry once it has been warmed.",
            _SENSOR,
        ),
    ),
}

OUTSIDE: Final = Advice(
    "out of its window",
    "What it means for the wood depends on how far out the air is and for how long: see the room's page.",
    (_SENSOR,),
)

SILENT: Final = Advice(
    "sensor not heard",
    "While it is silent, nobody watches what it was put there to watch.",
    (
        "Its battery or power.",
        "The cable, or its distance to the receiver and what stands in between.",
        "Has it been taken away, covered or painted over?",
        "The receiver and its adapter: is anything else not heard either?",
    ),
)


_AIR_PATH: Final = (
    "Doors and windows: is one open to damp, cold or very dry air?",
    "Water: a leak, wet trades at work, goods brought in wet.",
    "Heating, dehumidifier, humidifier: has one started, stopped or failed?",
    _SENSOR,
)

BY_KIND: Final[Mapping[IncidentKind, Advice]] = {
    IncidentKind.SILENT: SILENT,
    IncidentKind.CHANGE: Advice(
        "air is changing fast",
        "Something has just changed in this room. The wood has hardly followed yet: this is the time to look.",
        _AIR_PATH,
    ),
    IncidentKind.HEADING: Advice(
        "is heading out of its window",
        "Nothing is out yet. If the air goes on as in the last three hours it will be, with nine in ten confidence.",
        _AIR_PATH,
    ),
    IncidentKind.CONDENSATION: Advice(
        "surface is near condensation",
        "A surface this near to the dew point can become wet: water under a finish, an adhesive or a board, and mould.",
        (
            "Is anything about to be laid, glued or coated here? Wait.",
            "The surface: is it cold from outside, from below, or from a draught?",
            "The air: where does the moisture come from, and can it be dried or warmed slowly?",
        ),
        (_MOULD,),
    ),
    IncidentKind.SLAB: Advice(
        "slab is damper than the covering allows",
        "Moisture in a slab goes on into whatever is laid over it. Limits differ by covering and adhesive: the maker's "
        "goes before the one set here.",
        (
            "Has the probe had its time to come to rest after drilling (ASTM F2170: 24 hours, 72 in older editions)?",
            "Are slab and room at the conditions of later use (ASTM F2170: for 48 hours before testing)?",
            "Is there a source: wet trades, a leak, ground without a vapour retarder?",
        ),
    ),
    IncidentKind.STUCK: Advice(
        "has a sensor that is stuck",
        "Air is never this still. What this sensor tells may have nothing to do with the room any more.",
        (
            "The sensor: take it into another room for a minute; does it follow?",
            "Its gateway: does it repeat old values?",
        ),
    ),
    IncidentKind.APART: Advice(
        "has sensors that disagree",
        "Either the room is uneven, or one of the sensors drifts. Until that is known, neither is to be relied on.",
        (
            "Hang them side by side for an hour: do they agree there?",
            "If they do, look for what makes the room uneven: a cold wall, a heater, a door.",
            "If not, check each against a saturated salt.",
        ),
    ),
    IncidentKind.BATTERY: Advice(
        "has a battery that runs low",
        "When it is empty, nobody watches what the sensor was put there to watch.",
        ("Change the battery; cold makes it look emptier than it is.",),
    ),
    IncidentKind.MOULD: Advice(
        "has been damp for a month",
        "Air this damp for so long lets mould grow on wood, sooner on cold surfaces than the air's figures say.",
        ("Look at and smell the stacks, the corners and the cold surfaces.", *_AIR_PATH[:3]),
        (_MOULD,),
    ),
    IncidentKind.DRYING: Advice(
        "dehumidifier takes out little",
        "The air that leaves it is hardly drier than the room's. In air that is dry or cold already that may be all it "
        "can do; otherwise it is not drying.",
        ("Is it running, defrosting, its tank full, its hose bent?", "Its filter and coils.", _SENSOR),
        ("Leave electric appliances that stand in water alone until a qualified person has cleared them.",),
    ),
    IncidentKind.BOARDS: Advice(
        "boards are away from their moisture content",
        "By the estimate from the room's air, the mean moisture of the boards has left what they should keep. It is an "
        "estimate, good to a factor of two in time; a meter decides.",
        ("Measure several boards of the lot with a meter, inside the stack as well.", *_AIR_PATH[:3]),
    ),
    IncidentKind.CHECK: Advice(
        "has a sensor that is to be checked",
        "Sensors drift, and nobody sees it from their figures alone.",
        (
            "Lay it beside a saturated salt or a better instrument until it has come to rest.",
            "Then note the day in the job (checked_on).",
        ),
    ),
    IncidentKind.ADAPTER: Advice(
        "has an adapter that gives nothing",
        "What its sensors measure is not heard, not kept and not watched until it is back.",
        (
            "The device at its end: powered, plugged in, in reach?",
            "The arrivals page and the log: what does the adapter say it fails at?",
        ),
    ),
    IncidentKind.DISK: Advice(
        "has little room left for readings",
        "When the disk is full, readings are held in memory for a while and then lost.",
        ("What else fills this disk?", "Make room, or move the data directory to a larger disk."),
    ),
    IncidentKind.CLOCK: Advice(
        "has a clock that was wrong",
        "Readings that were stamped by this computer meanwhile stand at the wrong time, and what was told of them too.",
        ("Is there a way to a time server?", "Does the computer's own clock keep time without power (its battery)?"),
    ),
    IncidentKind.FORWARDING: Advice(
        "does not reach the central engine",
        "The site watches and warns by itself; whoever looks at the central engine sees an old state.",
        ("The network, the engine, its address and token; the health page says what fails.",),
    ),
}


def advice_for(incident: Incident) -> Advice:
    """Give what to say about an incident."""
    if incident.kind in BY_KIND:
        return BY_KIND[incident.kind]
    if incident.quantity is None or incident.bound is None or incident.worst_value is None:
        return OUTSIDE
    side = "above" if incident.worst_value > incident.bound else "below"
    return ADVICE.get((incident.quantity, side), OUTSIDE)
