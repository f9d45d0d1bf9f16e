"""How severity, an incident's life and people's actions are said. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from ingest.present import digits, words
from ingest.present.digits import Units
from ingest.site.handling import Action, Handling, Life
from ingest.site.incidents import Incident, Severity

SEVERITY_WORDS: Final[Mapping[Severity, str]] = {
    Severity.SLIGHT: "slight",
    Severity.SERIOUS: "serious",
    Severity.SEVERE: "severe",
}
"""How bad an incident is, in a word."""

SEVERITY_MEANS: Final[Mapping[Severity, str]] = {
    Severity.SLIGHT: "worth knowing, can wait for the morning",
    Severity.SERIOUS: "somebody should look today",
    Severity.SEVERE: "somebody should go there now",
}
"""What that asks for."""

LIFE_WORDS: Final[Mapping[Life, str]] = {
    Life.ACTIVE: "active",
    Life.ACKNOWLEDGED: "acknowledged",
    Life.MUTED: "acknowledged, muted",
    Life.CLOSED_MANUALLY: "closed manually, still active",
    Life.ENDED: "ended",
}
"""Where an incident stands, in a word or three."""

ACTION_WORDS: Final[Mapping[Action, str]] = {
    Action.ACKNOWLEDGED: "acknowledged",
    Action.MUTED: "muted alerts",
    Action.UNMUTED: "alerts unmuted",
    Action.CLOSED: "closed manually",
    Action.REOPENED: "reopened",
    Action.NOTED: "note",
}
"""What somebody did, for a journal."""

_HOURS: Final = {
    "temperature_c": "degree-hours",
    "condensation_margin_c": "degree-hours",
    "rh_percent": "%RH-hours",
    "slab_rh_percent": "%RH-hours",
    "emc_percent": "%MC-hours",
    "depression_gpp": "grain-hours",
}


def excess_words(incident: Incident, units: Units = Units.SI) -> str:
    """Say how far outside times how long: "46 %RH-hours", "12 degree-hours (°C)"; empty where it has none.

    While it goes on the sum is told in steps, and so as "more than".
    """
    name = incident.quantity
    if incident.excess_hours is None or name not in _HOURS or not incident.excess_hours:
        return ""
    amount = digits.in_units(name, incident.excess_hours, units) - digits.in_units(name, 0.0, units)
    sign = f" ({digits.unit(name, units)})" if name == "temperature_c" else ""
    told = f"{digits.number(amount, 0 if amount >= 10 else 1)} {_HOURS[name]}{sign}"
    return f"more than {told}" if incident.is_open else told


def handled_words(handling: Handling | None, now_ms: int, zone: str) -> str:
    """Say in sentences who did what about an incident, as it stands; empty where nobody did anything."""
    if handling is None:
        return ""
    told = []
    if handling.acknowledged_ms is not None:
        told.append(f"{handling.acknowledged_by} acknowledged it, {_when(handling.acknowledged_ms, now_ms, zone)}.")
    if handling.muted_until_ms is not None and handling.is_muted(now_ms):
        told.append(f"Alerts are muted until {_when(handling.muted_until_ms, now_ms, zone)}.")
    if handling.closed_ms is not None:
        when = _when(handling.closed_ms, now_ms, zone)
        told.append(f"{handling.closed_by} closed it manually, {when}: {words.sentence(handling.closed_why)}")
    return " ".join(told)


def _when(at_ms: int, now_ms: int, zone: str) -> str:
    return words.instant_near(at_ms, now_ms, zone)
