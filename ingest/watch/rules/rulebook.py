"""The rules beside the window, as data: what is looked at, how it is bounded, how long it must last. Pure.

Each rule makes one figure of a sensor's readings at each instant (`ingest.watch.rules.figures`, `trend`, `marches`) and
bounds it; from there on it is judged as a window is, in event time: dwell and margin both ways, gaps count as nothing.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from ingest.site.incidents import IncidentKind
from ingest.site.places import Bounds, Place, Room, Sensor
from ingest.watch.rules import figures, marches, trend
from ingest.watch.rules.figures import Air, Figure
from ingest.watch.rules.marches import Marched, Mark
from ingest.watch.window.judge import FIGURE, Rule, narrowed

HOUR_S: Final = 3600.0
DAY_S: Final = 24 * HOUR_S

March = Callable[[Air, Sensor, int, int, tuple[Mark, ...]], Marched]


class Sides(enum.Enum):
    """Which side of its limit is wrong."""

    ABOVE = "above"
    BELOW = "below"
    EITHER = "more than the limit either way"


@dataclass(frozen=True, slots=True)
class Entry:
    """One rule.

    setting: its field in `Rules`; empty for what the room itself says (`limits`).  quantity: the name of its figure.
    places: where its sensors sit; with none it is judged once for the room.  reads: the quantities of the sensor itself
    that its figure is made of.  reads_air: those of the room's air sensors.  dwell_s, return_s: how long it must last,
    and be over.  margin: how far back inside counts as back.  every_s: how often it is worth looking.  gap_s: after so
    long without a figure its time starts anew.
    """

    kind: IncidentKind
    setting: str
    quantity: str
    places: frozenset[Place]
    figure: Figure | None
    reads: tuple[str, ...]
    sides: Sides
    dwell_s: float
    return_s: float
    margin: float
    every_s: float = 60.0
    gap_s: float = HOUR_S
    reads_air: tuple[str, ...] = ()
    march: March | None = None
    limits: Callable[[Room, Sensor], Bounds | None] | None = None

    def bounds(self, room: Room, sensor: Sensor) -> Bounds | None:
        """Give the bounds that a room sets for the figure of one of its sensors, None where the rule is off."""
        if self.limits is not None:
            return self.limits(room, sensor)
        limit: float | None = getattr(room.rules, self.setting)
        if limit is None:
            return None
        if self.sides is Sides.EITHER:
            return Bounds(-limit, limit)
        return Bounds(high=limit) if self.sides is Sides.ABOVE else Bounds(low=limit)

    def rule(self, bounds: Bounds) -> Rule:
        """Give the rule as the judge takes it."""
        return Rule(
            bounds={FIGURE: bounds},
            narrowed={FIGURE: narrowed(bounds, self.margin)},
            weights={FIGURE: self.margin},
            dwell_ms=round(self.dwell_s * 1000),
            return_ms=round(self.return_s * 1000),
            silent_ms=round(self.gap_s * 1000),
        )


def _check_ahead(room: Room, sensor: Sensor) -> Bounds | None:
    ahead = room.rules.check_ahead_days
    return Bounds(low=ahead) if sensor.checked_on and ahead is not None else None


def _check_overdue(room: Room, sensor: Sensor) -> Bounds | None:
    return Bounds(high=0.0) if _check_ahead(room, sensor) is not None else None


def _boards(room: Room, _sensor: Sensor) -> Bounds | None:
    return marches.board_bounds(room)


_AIR: Final = frozenset({Place.AIR})
_KIND: Final = IncidentKind
_T_RH: Final = ("temperature_c", "rh_percent")
_SURFACE: Final = ("surface_temperature_c", "slab_temperature_c")

RULEBOOK: Final = (
    Entry(_KIND.CHANGE, "rh_change_percent", "rh_change_percent", _AIR, figures.rh_change, ("rh_percent",),
          Sides.EITHER, 600, HOUR_S, 2.0),
    Entry(_KIND.CHANGE, "grains_change_gpp", "grains_change_gpp", _AIR, figures.grains_change, _T_RH,
          Sides.EITHER, 600, HOUR_S, 2.0),
    Entry(_KIND.HEADING, "heading_out_hours", "heading_out_hours", _AIR, trend.hours_to_leave, _T_RH,
          Sides.BELOW, 1800, HOUR_S, 1.0, every_s=600),
    Entry(_KIND.CONDENSATION, "condensation_margin_c", "condensation_margin_c", frozenset({Place.SURFACE, Place.SLAB}),
          figures.condensation_margin, _SURFACE, Sides.BELOW, 600, 1800, 0.5, reads_air=_T_RH),
    Entry(_KIND.SLAB, "slab_rh_percent", "slab_rh_percent", frozenset({Place.SLAB}), figures.slab_rh,
          ("slab_rh_percent",), Sides.ABOVE, 6 * HOUR_S, DAY_S, 1.0, every_s=600, gap_s=DAY_S),
    Entry(_KIND.STUCK, "stuck_hours", "stuck_hours", _AIR, figures.hours_unchanged, _T_RH,
          Sides.ABOVE, 0, 0, 0.5, every_s=HOUR_S),
    Entry(_KIND.APART, "apart_percent", "apart_percent", _AIR, figures.apart, ("rh_percent",),
          Sides.EITHER, 6 * HOUR_S, 6 * HOUR_S, 1.0, every_s=HOUR_S, gap_s=4 * HOUR_S, reads_air=("rh_percent",)),
    Entry(_KIND.BATTERY, "battery_percent", "battery_percent", frozenset(Place), figures.battery, ("battery_percent",),
          Sides.BELOW, 0, 0, 5.0, every_s=600, gap_s=7 * DAY_S),
    Entry(_KIND.MOULD, "mould_rh_percent", "mould_rh_percent", _AIR, figures.month_rh, _T_RH,
          Sides.ABOVE, 0, DAY_S, 1.0, every_s=6 * HOUR_S, gap_s=3 * DAY_S),
    Entry(_KIND.MOULD, "mould_index", "mould_index", _AIR, None, _T_RH,
          Sides.ABOVE, 0, DAY_S, 0.1, every_s=6 * HOUR_S, gap_s=3 * DAY_S, march=marches.mould_index),
    Entry(_KIND.DRYING, "depression_gpp", "depression_gpp", frozenset({Place.OUTLET}), figures.depression, _T_RH,
          Sides.BELOW, 2 * HOUR_S, HOUR_S, 1.0, reads_air=_T_RH),
    Entry(_KIND.BOARDS, "", "board_mc_percent", frozenset(), None, (), Sides.EITHER, 0, DAY_S, 0.2,
          every_s=6 * HOUR_S, gap_s=3 * DAY_S, reads_air=_T_RH, march=marches.boards_mc, limits=_boards),
    Entry(_KIND.CHECK, "check_ahead_days", "check_due_days", frozenset(Place), figures.days_to_check, (),
          Sides.BELOW, 0, 0, 1.0, every_s=6 * HOUR_S, gap_s=3 * DAY_S, limits=_check_ahead),
    Entry(_KIND.CHECK, "check_ahead_days", "check_overdue_days", frozenset(Place), figures.days_overdue, (),
          Sides.ABOVE, 0, 0, 0.5, every_s=6 * HOUR_S, gap_s=3 * DAY_S, limits=_check_overdue),
)  # fmt: skip
"""Every rule beside the window and the silence of sensors."""

BY_KEY: Final[Mapping[str, Entry]] = {entry.quantity: entry for entry in RULEBOOK}
