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
    """What to say about one kind of incident.

    short: of a window, what the room is ("too damp"); else a clause of its own ("the air is changing fast").  over: the
    clause that says its end, where it is not of a window.
    """

    short: str
    meaning: str
    check: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    over: str = "over"


MEASURE_FIRST: Final = (
    "These are readings of the air at the sensors, not of the wood. Before you lay, load or release anything, measure "
    "the wood and the subfloor themselves and follow the maker's instructions and local codes."
)
_MOULD: Final = (
    "Air that stays damp lets mould grow. If you see or smell it, or find standing or dirty water near anything "
    "electric, keep out until a qualified person has cleared the place."
)
_LICENSED: Final = "Leave electric and gas appliances to those who are licensed to work on them."
_WATER: Final = (
    "If you find water, keep away from anything electric that it may have reached, until a qualified person has "
    "cleared it."
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
        (_LICENSED,),
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
        (_LICENSED,),
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
    "out of range",
    "What it means for the wood depends on how far out the air is and for how long: see the room's page.",
    (_SENSOR,),
)

SILENT: Final = Advice(
    "a sensor is offline",
    "While it is offline, nobody watches what it was put there to watch.",
    (
        "Its battery or power.",
        "The cable, or its distance to the receiver and what stands in between.",
        "Has it been taken away, covered or painted over?",
        "The receiver and its adapter: is anything else offline too?",
    ),
)


_AIR_PATH: Final = (
    "Doors and windows: is one open to damp, cold or very dry air?",
    "Water: a leak, wet trades at work, goods brought in wet.",
    "Heating, dehumidifier, humidifier: has one started, stopped or failed?",
    _SENSOR,
)

_CHECKING: Final = (
    "Lay it beside a saturated salt or a better instrument until it has come to rest.",
    "Then note the day in the site setup (checked_on).",
)

BY_KIND: Final[Mapping[IncidentKind, Advice]] = {
    IncidentKind.OFFLINE: SILENT,
    IncidentKind.CHANGE: Advice(
        "the air is changing fast",
        "Something has just changed in this room. The wood has hardly followed yet: this is the time to look.",
        _AIR_PATH,
        (_WATER,),
        over="the air has stopped changing fast",
    ),
    IncidentKind.HEADING: Advice(
        "the air is heading out of range",
        "Nothing is out yet. If the air goes on as in the last three hours it will be, with nine in ten confidence.",
        _AIR_PATH,
        over="the air is no longer heading out of range",
    ),
    IncidentKind.CONDENSATION: Advice(
        "a surface is near condensation",
        "A surface this near to the dew point can become wet: water under a finish, an adhesive or a board, and mould. "
        "Places that are colder than the one measured become wet sooner.",
        (
            "Is anything about to be laid, glued or coated here? Wait, and go by the product's instructions.",
            "The surface: is it cold from outside, from below, or from a draught?",
            "The air: where does the moisture come from, and can it be dried or warmed slowly?",
        ),
        (_MOULD,),
        over="the surface is no longer near condensation",
    ),
    IncidentKind.SLAB: Advice(
        "the slab is damper than its limit",
        "Moisture in a slab goes on into whatever is laid over it. Limits differ by covering and adhesive: the maker's "
        "goes before the one set here.",
        (
            "Has the probe had its time to come to rest after drilling (ASTM F2170: 24 hours, 72 in older editions)?",
            "Are slab and room at the conditions of later use (ASTM F2170: for 48 hours before testing)?",
            "Is there a source: wet trades, a leak, ground without a vapour retarder?",
        ),
        ("A slab below its limit here is not an approval to install: test it as its maker and local codes ask.",),
        over="the slab is back below its limit",
    ),
    IncidentKind.STUCK: Advice(
        "a sensor gives the same figures all the time",
        "Air is never this still. What this sensor tells may have nothing to do with the room any more, and a room is "
        "not watched by it.",
        (
            "The sensor: take it into another room for a minute; does it follow?",
            "Its receiver or gateway: does it repeat old values?",
        ),
        over="the sensor's figures move again",
    ),
    IncidentKind.APART: Advice(
        "sensors disagree",
        "Either the room is uneven, or one of the sensors drifts. Until that is known, neither is to be relied on.",
        (
            "Hang them side by side for an hour: do they agree there?",
            "If they do, look for what makes the room uneven: a cold wall, a heater, a door.",
            "If not, check each against a saturated salt.",
        ),
        over="the sensors agree again",
    ),
    IncidentKind.BATTERY: Advice(
        "a sensor's battery runs low",
        "When it is empty, nobody watches what the sensor was put there to watch.",
        (
            "Change the battery; cold makes it look emptier than it is.",
            "After the change: is the sensor heard, and do its figures fit the room?",
        ),
        over="the sensor's battery is well again",
    ),
    IncidentKind.MOULD: Advice(
        "damp for so long that mould can grow",
        "Air this damp for so long lets mould grow on wood, sooner on cold surfaces than the air's figures say. "
        "Whether it does, only looking tells.",
        ("Look at and smell the stacks, the corners and the cold surfaces.", *_AIR_PATH[:3]),
        (_MOULD,),
        over="the air is no longer so damp; mould that has grown is still there",
    ),
    IncidentKind.DRYING: Advice(
        "a dehumidifier takes out little",
        "The air that leaves it is hardly drier than the room's. In air that is dry or cold already that may be all it "
        "can do; otherwise it is not drying.",
        (
            "Is it running, defrosting, its tank full, its hose bent?",
            "Its filter and coils.",
            "The sensor at its outlet: is it still in the stream of air?",
        ),
        ("Leave electric appliances that stand in water alone until a qualified person has cleared them.",),
        over="the dehumidifier takes out moisture again",
    ),
    IncidentKind.BOARDS: Advice(
        "the boards have left their moisture content",
        "The mean moisture of the boards has left what they should keep. This is an estimate from the room's air, "
        "good to a factor of two in time; a meter decides. Boards off their moisture are not for laying or working.",
        (
            "Measure several boards of the lot with a meter, set to the species and temperature, inside the stack too.",
            "What the lot was taken to have at the start: was it measured, and does it stand so in [room.boards]?",
            *_AIR_PATH[:3],
        ),
        over="the boards are back where they should be, by the estimate",
    ),
    IncidentKind.CHECK: Advice(
        "a sensor is to be checked",
        "Sensors drift, and nobody sees it from their figures alone.",
        _CHECKING,
        over="the sensor has been checked",
    ),
    IncidentKind.ADAPTER: Advice(
        "an adapter gives nothing",
        "What its sensors measure is not received, not stored and not watched until it is back.",
        (
            "The device at its end: powered, plugged in, in reach?",
            "The page Connections and the log: what does the adapter say it fails at?",
            "Until it is back, look after the rooms yourself.",
        ),
        over="the adapter gives readings again",
    ),
    IncidentKind.DISK: Advice(
        "little room is left for readings",
        "When the disk is full, readings are held in memory for a while and then lost. What is stored already stays.",
        (
            "What else fills this disk?",
            "Make room, or move the data directory to a larger disk while lumberroom is stopped.",
            "keep_readings_days in the settings file lets old readings go and keeps their statistics.",
        ),
        ("Take nothing out of the data directory by hand; copy it first with `lumberroom backup`, to another disk.",),
        over="there is room for readings again",
    ),
    IncidentKind.CLOCK: Advice(
        "the computer's clock was wrong",
        "Readings that were stamped by this computer meanwhile stand at the wrong time, and what was told of them too.",
        (
            "Is there a way to a time server?",
            "Does the computer's own clock keep time without power (its battery)?",
            "In a report over that time, say that the times are wrong, and by how much.",
        ),
        over="the computer's clock is right again",
    ),
    IncidentKind.FORWARDING: Advice(
        "readings do not reach the central engine",
        "The site watches and warns by itself, and keeps what is to be forwarded; whoever looks at the central engine "
        "sees an old state.",
        (
            "The network, and whether the engine runs.",
            "Its address and token in [central]: the page Connections and the log say what fails.",
        ),
        over="readings reach the central engine again",
    ),
}

BY_QUANTITY: Final[Mapping[str, Advice]] = {
    "clock_unsynchronised_hours": Advice(
        "no time server sets the computer's clock",
        "The clock may still be right, and drifts by seconds a day. Readings that are stamped by this computer, and "
        "what is told of them, are as right as it is.",
        (
            "Compare the time on the page with a clock that you trust.",
            "Is there a way to a time server?",
            "Without a network, does the computer's own clock keep time (its battery)?",
        ),
        over="a time server sets the computer's clock again",
    ),
    "check_overdue_days": Advice(
        "a sensor's check is overdue",
        "Sensors drift, and nobody sees it from their figures alone. What this one says counts for less, also in a "
        "dispute, the longer the check is put off.",
        _CHECKING,
        over="the sensor has been checked",
    ),
}
"""What is said of one figure of a kind, where the kind has several that mean something different."""


def advice_for(incident: Incident) -> Advice:
    """Give what to say about an incident."""
    if incident.quantity is not None and incident.quantity in BY_QUANTITY:
        return BY_QUANTITY[incident.quantity]
    if incident.kind in BY_KIND:
        return BY_KIND[incident.kind]
    if incident.quantity is None or incident.bound is None or incident.worst_value is None:
        return OUTSIDE
    side = "above" if incident.worst_value > incident.bound else "below"
    return ADVICE.get((incident.quantity, side), OUTSIDE)
