"""Reasons as sentences for people: quantity, value, bound, since when. Pure; units and zone are the reader's.

Sentences carry no markup. What comes from outside (titles) is put in as it is; whoever shows it escapes it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from ingest.present import digits, words
from ingest.present.digits import Units
from ingest.present.incident_kinds import KINDS, About
from ingest.site.incidents import Ending, Incident, IncidentKind, RoomState
from ingest.site.places import AcclimationWindow, Sensor
from ingest.watch.window.certainty import is_certain
from ingest.watch.window.judge import SensorState, Why

ENDING_WORDS: Final[Mapping[Ending, str]] = {
    Ending.BY_ITSELF: "",
    Ending.NO_WINDOW: "The room has no window any more, so this is not watched any longer.",
    Ending.NO_SENSOR: "The sensor was taken from the room, so this is not watched any longer.",
    Ending.NO_RULE: "The rule was switched off or its sensor taken away, so this is not watched any longer.",
}
"""Why an incident closes although nothing got better: somebody changed what is watched. Never an all-clear."""


def ending_by_hand(incident: Incident) -> str:
    """Give the sentence with which an incident was closed by a change of the job, or nothing."""
    return ENDING_WORDS[incident.ending]


@dataclass(frozen=True, slots=True)
class Telling:
    """How to tell: the site's zone, the reader's units and clock, the present (None: instants in full)."""

    time_zone: str
    units: Units = Units.SI
    now_ms: int | None = None
    clock: words.Clock12or24 = "24h"

    def at(self, at_ms: int | None) -> str:
        """Say an instant."""
        if at_ms is None:
            return "an unknown time"
        if self.now_ms is None:
            return words.instant(at_ms, self.time_zone, self.clock)
        return words.instant_near(at_ms, self.now_ms, self.time_zone, self.clock)


def sensor_name(sensor: Sensor | None, sensor_id: str) -> str:
    """Give what people call a sensor: its title, or else its id."""
    return sensor.title if sensor is not None and sensor.title else sensor_id


def the_sensor(name: str) -> str:
    """Name a sensor in the middle of a sentence.  name: what people call it (`sensor_name`)."""
    return f'the sensor "{name}"'


def side(value: float, bound: float) -> str:
    """Say on which side of a bound a value lies."""
    return "below" if value < bound else "above"


def incident_reason(incident: Incident, sensor: str, telling: Telling) -> str:
    """Say in one sentence what an incident is about, open or closed.  sensor: what people call it.

    One that was closed manually is said as it last stood, and then why it was closed; one that readings which came late
    have changed says so.
    """
    if incident.withdrawn_ms is not None:
        return _withdrawn(incident, sensor, telling)
    if incident.revised_ms is not None:
        told = incident_reason(replace(incident, revised_ms=None), sensor, telling)
        return f"{told} Revised {telling.at(incident.revised_ms)}, when readings came late."
    ending = ending_by_hand(incident)
    if ending:
        as_it_stood = replace(incident, closed_ms=None, ending=Ending.BY_ITSELF)
        return f"{incident_reason(as_it_stood, sensor, telling)} {ending}"
    if incident.kind is IncidentKind.OFFLINE:
        return _silence(incident, sensor, telling)
    if incident.kind is not IncidentKind.WINDOW:
        return _broken_rule(incident, sensor, telling)
    return _excursion(incident, sensor, telling)


def _excursion(incident: Incident, sensor: str, telling: Telling) -> str:
    if incident.quantity is None or incident.bound is None or incident.worst_value is None:
        return f"The air at {the_sensor(sensor)} has been outside its window since {telling.at(incident.began_ms)}."
    name, value, bound = incident.quantity, incident.worst_value, incident.bound
    beyond = f"{side(value, bound)} {digits.limit(name, bound, telling.units)}"
    worst = f"{digits.amount(name, value, telling.units)} at worst ({telling.at(incident.worst_at_ms)})"
    what = f"{digits.short(name)} at {the_sensor(sensor)}"
    if incident.closed_ms is None:
        told = f"{what} has been {beyond} since {telling.at(incident.began_ms)}, {worst}"
    else:
        lasted = words.duration_ms(incident.closed_ms - incident.began_ms)
        told = (
            f"{what} was {beyond}, {worst}; out of range from "
            f"{telling.at(incident.began_ms)} to {telling.at(incident.closed_ms)} ({lasted})"
        )
    return words.sentence(told) + _how_sure(incident, telling)


def _how_sure(incident: Incident, telling: Telling) -> str:
    if incident.quantity is None or incident.bound is None or incident.worst_value is None or incident.accuracy is None:
        return ""
    good_to = digits.difference(incident.quantity, incident.accuracy, telling.units)
    sure = "certainly" if is_certain(incident.worst_value, incident.bound, incident.accuracy) else "probably"
    return f" That is {sure} outside: the sensor may be wrong by ±{good_to}."


def _withdrawn(incident: Incident, sensor: str, telling: Telling) -> str:
    said = incident_reason(replace(incident, withdrawn_ms=None, revised_ms=None), sensor, telling)
    when = telling.at(incident.withdrawn_ms)
    return f"Readings that came late ({when}) show that this did not happen as it was told: {said}"


_OF_THE_STATION: Final = {
    IncidentKind.ADAPTER: ('the adapter "{sensor}" has given nothing', 'the adapter "{sensor}" gave nothing'),
    IncidentKind.DISK: (
        "the disk that holds the readings has been nearly full",
        "the disk that holds the readings was nearly full",
    ),
    IncidentKind.CLOCK: ("this computer's clock has been wrong", "this computer's clock was wrong"),
    IncidentKind.FORWARDING: (
        "readings have not reached the central engine",
        "readings did not reach the central engine in time",
    ),
}


_NOT_SET: Final = ("no time server has set this computer's clock", "no time server set this computer's clock")


def _station(incident: Incident, sensor: str, telling: Telling) -> str:
    """Say what concerns the station: what has been so since when, how bad, by which limit."""
    told = _NOT_SET if incident.quantity == "clock_unsynchronised_hours" else _OF_THE_STATION[incident.kind]
    now, then = (said.format(sensor=sensor) for said in told)
    how = ""
    if incident.quantity is not None and incident.bound is not None and incident.worst_value is not None:
        worst = digits.amount(incident.quantity, incident.worst_value, telling.units)
        limit = digits.limit(incident.quantity, incident.bound, telling.units)
        how = f"{digits.short(incident.quantity)} {worst}, limit {limit}"
    if incident.closed_ms is None:
        return words.sentence(f"{now} since {telling.at(incident.began_ms)}{f' ({how})' if how else ''}")
    lasted = words.duration_ms(incident.closed_ms - incident.began_ms)
    span = f"from {telling.at(incident.began_ms)} to {telling.at(incident.closed_ms)}"
    return words.sentence(f"{then} {span} ({lasted}{f'; {how}' if how else ''})")


_OWN_WORDS: Final = {
    "condensation_margin_c": (
        "the surface at {sensor} has been less than {limit} warmer than the dew point since {since}, "
        "{worst} at worst ({when})",
        "the surface at {sensor} was less than {limit} warmer than the dew point, {worst} at worst ({when}); {span}",
    ),
    "heading_out_hours": (
        "by its trend at {sensor} the air goes out of range in {worst} (reckoned {when})",
        "by its trend at {sensor} the air was about to leave its window, in {worst} (reckoned {when}); {span}",
    ),
    "stuck_hours": (
        "{sensor} has given the same figures for {worst} ({when})",
        "{sensor} gave the same figures for {worst} ({when}); they moved again {until}",
    ),
    "check_due_days": (
        "{sensor} is to be checked in {worst} (counted {when})",
        "{sensor} was to be checked; it no longer is",
    ),
    "check_overdue_days": (
        "the check of {sensor} is overdue by {worst} (counted {when})",
        "the check of {sensor} was overdue by {worst}",
    ),
}
"""Of figures that no plain "has been above" suits: while it goes on, and when it is over."""


def _own_words(incident: Incident, sensor: str, telling: Telling) -> str:
    assert incident.quantity is not None
    if incident.quantity == "check_due_days" and incident.closed_ms is None and (incident.worst_value or 0.0) <= 0:
        return words.sentence(f"{the_sensor(sensor)} is due to be checked")
    since, until = telling.at(incident.began_ms), telling.at(incident.closed_ms)
    told = _OWN_WORDS[incident.quantity][0 if incident.closed_ms is None else 1].format(
        sensor=the_sensor(sensor) if sensor else "its sensor",
        limit=digits.limit(incident.quantity, incident.bound or 0.0, telling.units),
        worst=digits.amount(incident.quantity, incident.worst_value, telling.units),
        when=telling.at(incident.worst_at_ms),
        since=since,
        until=until,
        span=f"from {since} to {until}",
    )
    return words.sentence(told)


def _broken_rule(incident: Incident, sensor: str, telling: Telling) -> str:
    if KINDS[incident.kind].about is About.STATION:
        return _station(incident, sensor, telling)
    if incident.quantity is None or incident.bound is None or incident.worst_value is None:
        return words.sentence(f"{KINDS[incident.kind].word} since {telling.at(incident.began_ms)}")
    if incident.quantity in _OWN_WORDS:
        return _own_words(incident, sensor, telling)
    name, value, bound = incident.quantity, incident.worst_value, incident.bound
    beyond = f"{side(value, bound)} {digits.limit(name, bound, telling.units)}"
    worst = f"{digits.amount(name, value, telling.units)} at worst ({telling.at(incident.worst_at_ms)})"
    what = f"{digits.short(name)} at {the_sensor(sensor)}" if sensor else digits.short(name)
    if incident.closed_ms is None:
        return words.sentence(f"{what} has been {beyond} since {telling.at(incident.began_ms)}, {worst}")
    span = f"{telling.at(incident.began_ms)} to {telling.at(incident.closed_ms)}"
    return words.sentence(f"{what} was {beyond}, {worst}; from {span}")


def _silence(incident: Incident, sensor: str, telling: Telling) -> str:
    if incident.closed_ms is None:
        return words.sentence(f"{the_sensor(sensor)} has given no reading since {telling.at(incident.began_ms)}")
    lasted = words.duration_ms(incident.closed_ms - incident.began_ms)
    again = f"gives readings again since {telling.at(incident.closed_ms)}; it was offline for {lasted}"
    return words.sentence(f"{the_sensor(sensor)} {again}")


def state_reason(state: SensorState, window: AcclimationWindow, sensor: str, telling: Telling) -> str:
    """Say in one sentence why a sensor is in its state."""
    told = {
        RoomState.UNKNOWN: _unknown,
        RoomState.IN_RANGE: _within,
        RoomState.LEAVING_RANGE: _drifting,
        RoomState.OUT_OF_RANGE: _out,
        RoomState.RECOVERING: _returning,
    }[state.state](state, window, sensor, telling)
    if state.why in (Why.NEW_WINDOW, Why.CLOCK_WAS_WRONG):
        told = f"{told}; {state.why.value}"
    return words.sentence(told)


def _unknown(state: SensorState, _window: AcclimationWindow, sensor: str, _telling: Telling) -> str:
    if state.last_ms is None or not state.held:
        return f"{the_sensor(sensor)} has not said anything yet that the window can be judged by"
    return f"not judged yet: {state.why.value}"


def _within(state: SensorState, window: AcclimationWindow, sensor: str, telling: Telling) -> str:
    values = [
        f"{digits.short(name)} {digits.amount(name, state.held[name][0], telling.units)} "
        f"(window {digits.bounds_words(name, bounds, telling.units)})"
        for name, bounds in window.bounds().items()
        if name in state.held
    ]
    return f"{words.listed(values)} at {the_sensor(sensor)}, {telling.at(state.last_ms)}"


def _drifting(state: SensorState, window: AcclimationWindow, sensor: str, telling: Telling) -> str:
    lasts = words.duration(window.dwell_s)
    anew = f" ({Why.GAP.value})" if state.why is Why.GAP else ""
    return f"{_beyond(state, sensor, telling)}; it counts once it has lasted {lasts}{anew}"


def _out(state: SensorState, _window: AcclimationWindow, sensor: str, telling: Telling) -> str:
    told = _beyond(state, sensor, telling)
    if state.why is Why.STILL_OUT:
        return f"{told}; {state.why.value}"
    others = [digits.short(name) for name in state.guilty if state.worst is None or name != state.worst.quantity]
    return f"{told}; {words.listed(others)} outside as well" if others else told


def _returning(state: SensorState, window: AcclimationWindow, sensor: str, telling: Telling) -> str:
    lasts = words.duration(window.return_dwell_s)
    back = f"the air at {the_sensor(sensor)} has been back inside its window since {telling.at(state.returned_ms)}"
    return f"{back}; the incident closes once that has lasted {lasts}"


def _beyond(state: SensorState, sensor: str, telling: Telling) -> str:
    since = telling.at(state.began_ms)
    if state.worst is None:
        return f"the air at {the_sensor(sensor)} has been outside its window since {since}"
    name, bound, value, at_ms, _ = state.worst
    beyond = f"{side(value, bound)} {digits.limit(name, bound, telling.units)}"
    worst = f"{digits.amount(name, value, telling.units)} at worst"
    when = f" ({telling.at(at_ms)})" if at_ms != state.began_ms else ""
    return f"{digits.short(name)} at {the_sensor(sensor)} has been {beyond} since {since}, {worst}{when}"
