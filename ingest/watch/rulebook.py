"""The rules beside the window, as data: what is looked at, how it is bounded, how long it must last. Pure.

Each rule makes one figure of a sensor's readings at each instant (`ingest.watch.figures`) and bounds it; from there on
it is judged as a window is: dwell and margin both ways, gaps counted as nothing, in event time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ingest.site.incidents import IncidentKind
from ingest.site.places import Bounds, Place
from ingest.site.rules import Rules
from ingest.watch import figures
from ingest.watch.figures import Figure
from ingest.watch.judge import FIGURE, Rule, narrowed

HOUR_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Entry:
    """One rule.

    setting: its field in `Rules`.  quantity: the name of its figure.  places: where its sensors sit.  above, below:
    which sides of the limit are wrong (both: more than the limit either way).  dwell_s, return_s: how long it must
    last, and be over.  margin: how far back inside counts as back.  every_s: how often it is worth looking.  gap_s:
    after so long without a figure its time starts anew.
    """

    kind: IncidentKind
    setting: str
    quantity: str
    places: frozenset[Place]
    figure: Figure
    above: bool
    below: bool
    dwell_s: float
    return_s: float
    margin: float
    every_s: float = 60.0
    gap_s: float = HOUR_S

    def bounds(self, rules: Rules) -> Bounds | None:
        """Give the bounds that a room's rules set for the figure, None where the rule is off."""
        limit: float | None = getattr(rules, self.setting)
        if limit is None:
            return None
        if self.above and self.below:
            return Bounds(-limit, limit)
        return Bounds(high=limit) if self.above else Bounds(low=limit)

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


_AIR: Final = frozenset({Place.AIR})
_KIND: Final = IncidentKind

RULEBOOK: Final = (
    Entry(_KIND.CHANGE, "rh_change_percent", "rh_change_percent", _AIR, figures.rh_change, True, True,
          600, HOUR_S, 2.0),
    Entry(_KIND.CHANGE, "grains_change_gpp", "grains_change_gpp", _AIR, figures.grains_change, True, True,
          600, HOUR_S, 2.0),
    Entry(_KIND.HEADING, "heading_out_hours", "heading_out_hours", _AIR, figures.hours_to_leave, False, True,
          1800, HOUR_S, 1.0, every_s=600),
    Entry(_KIND.CONDENSATION, "condensation_margin_c", "condensation_margin_c", frozenset({Place.SURFACE, Place.SLAB}),
          figures.condensation_margin, False, True, 600, 1800, 0.5),
    Entry(_KIND.SLAB, "slab_rh_percent", "slab_rh_percent", frozenset({Place.SLAB}), figures.slab_rh, True, False,
          6 * HOUR_S, 24 * HOUR_S, 1.0, every_s=600, gap_s=24 * HOUR_S),
    Entry(_KIND.STUCK, "stuck_hours", "stuck_hours", _AIR, figures.hours_unchanged, True, False,
          0, 0, 0.5, every_s=HOUR_S),
    Entry(_KIND.APART, "apart_percent", "apart_percent", _AIR, figures.apart, True, True,
          6 * HOUR_S, 6 * HOUR_S, 1.0, every_s=HOUR_S, gap_s=4 * HOUR_S),
    Entry(_KIND.BATTERY, "battery_percent", "battery_percent", frozenset(Place), figures.battery, False, True,
          0, 0, 5.0, every_s=600, gap_s=7 * 24 * HOUR_S),
    Entry(_KIND.MOULD, "mould_rh_percent", "mould_rh_percent", _AIR, figures.month_rh, True, False,
          0, 24 * HOUR_S, 1.0, every_s=6 * HOUR_S, gap_s=72 * HOUR_S),
    Entry(_KIND.DRYING, "depression_gpp", "depression_gpp", frozenset({Place.OUTLET}), figures.depression, False, True,
          2 * HOUR_S, HOUR_S, 1.0),
)  # fmt: skip
"""Every rule beside the window and the silence of sensors."""

BY_KEY: Final[Mapping[str, Entry]] = {entry.quantity: entry for entry in RULEBOOK}
