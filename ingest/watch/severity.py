"""How bad an incident is: by what it is about, and where it can grow, by how far and how long. Pure.

What each kind begins with stands in `ingest.present.incident_kinds`. How far outside is weighed in margins, so that
quantities can be compared; the time outside is counted only where readings vouch for it (`judge.SensorState.excess`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final, NamedTuple

from ingest.present.incident_kinds import KINDS
from ingest.site.incidents import Incident, IncidentKind, Severity
from ingest.site.rules import Rules
from ingest.watch.window.judge import EXCESS_PER_HOUR, FALLBACK_MARGINS

RANK: Final[Mapping[Severity, int]] = {one: rank for rank, one in enumerate(Severity)}
"""Which severity is worse."""

SERIOUS_AFTER_H: Final = 1.0
SEVERE_AFTER_H: Final = 4.0
"""For so long the air must have been as far outside as `Rules.serious_margins`, `severe_margins` say, or as much for
longer, before that alone counts (hours; common practice, no source: wood takes days to answer)."""

SPOKEN: Final = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
"""While an incident goes on its sum is told in these steps and their tens, so that it is not written every minute."""


class Weight(NamedTuple):
    """What an incident weighs.  worst_margins: furthest outside.  margin_hours: how far outside times how long."""

    worst_margins: float
    margin_hours: float


def severity(kind: IncidentKind, weight: Weight, rules: Rules) -> Severity:
    """Say how bad an incident of a kind is by what it weighs now; with more weight it never gets less bad."""
    begins = KINDS[kind].begins
    if kind is not IncidentKind.WINDOW:
        return begins
    if _reached(weight, rules.severe_margins, rules.severe_margin_hours, SEVERE_AFTER_H):
        return Severity.SEVERE
    serious = _reached(weight, rules.serious_margins, rules.serious_margin_hours, SERIOUS_AFTER_H)
    return Severity.SERIOUS if serious else begins


def _reached(weight: Weight, margins: float | None, margin_hours: float | None, after_h: float) -> bool:
    # How far alone is not enough: one mad reading, or an hour of steam, must not wake anybody.
    far = margins is not None and weight.worst_margins >= margins and weight.margin_hours >= margins * after_h
    return far or (margin_hours is not None and weight.margin_hours >= margin_hours)


def hours(excess: int) -> float:
    """Give a sum of `judge.SensorState.excess` in the quantity's unit times hours."""
    return excess / EXCESS_PER_HOUR


def margin_hours(excesses: Iterable[Mapping[str, int]], margins: Mapping[str, float]) -> float:
    """Give the most that any quantity of any sensor was outside, in margins times hours.

    excesses: of each sensor, by quantity.  margins: what the quantities are weighed by; a margin of nought by default.
    """
    weighed = (
        hours(excess) / (margins.get(name) or FALLBACK_MARGINS.get(name, 1.0))
        for one in excesses
        for name, excess in one.items()
    )
    return max(weighed, default=0.0)


def spoken(amount: float) -> float:
    """Round down to what is told while the incident goes on: 1, 1.5, 2, 3, 5, 7, 10, 15 ... of the unit."""
    if amount < 1e-3:
        return 0.0
    ten = 10.0 ** math.floor(math.log10(amount) + 1e-12)
    return round(max(step for step in SPOKEN if step * ten <= amount * (1 + 1e-12)) * ten, 6)


def weighed(incident: Incident, excess_hours: float, weight: Weight, rules: Rules) -> Incident:
    """Give an incident with how bad it is by now.

    excess_hours: of its quantity, summed up so far; told in steps while it goes on, and exactly when it is over.
    """
    told = spoken(excess_hours) if incident.is_open else round(excess_hours, 3)
    return replace(
        incident,
        severity=severity(incident.kind, weight, rules),
        excess_hours=told if KINDS[incident.kind].is_summed else None,
    )
