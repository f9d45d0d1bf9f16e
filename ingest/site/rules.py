"""The limits of a room's further rules, beside its window: trade defaults, each adjustable, None switches one off.

Where the figures come from stands beside each. "Our choice" means that no source names a figure.
"""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class Rules:
    """What else is watched in a room, and from which figure on.

    rh_change_percent: RH moving by more than this within an hour, either way (points; our choice).
    grains_change_gpp: grains per pound moving by more than this within an hour (off unless set; our choice of none,
    because a heating-up or a wet trade moves RH as well).
    heading_out_hours: the present trend leaves the window within so many hours (our choice).
    condensation_margin_c: a surface or slab nearer to the air's dew point than this (K). 3 K is coating practice citing
    ISO 8502-4; secondary sources.
    slab_rh_percent: RH in the slab above the covering's limit. 75 % before a wood floor: United States wood-flooring
    trade, as quoted; BS 8201:2011 has 65 %. The covering's and adhesive's own limit goes before any of them.
    stuck_hours: an air sensor giving the very same figures for so long (our choice).
    apart_percent: a sensor's RH away from the middle of its neighbours' over six hours (points). Two sensors good to
    ±3 points each differ by at most 6; the rest is left to the room (our choice).
    battery_percent: battery below this (common practice, no source).
    mould_index: the mould index of a surface in the room's air above this (0 to 6; VTT model, class "sensitive": glued
    boards, spruce). 1 is where growth begins, seen under the microscope only (Hukka and Viitanen 1999).
    mould_rh_percent: mean RH of 30 days above this, at 5 to 40 °C. 80 % at the surface: ASHRAE 160-2009 and ISO 13788;
    taken here of the air, which near a cold surface says too little.
    check_ahead_days: so many days before a sensor's check is due it is told (our choice); when it is due, again.
    depression_gpp: a dehumidifier that takes fewer grains per pound out of the air than this. 5 is insurers' practice,
    and disputed.

    How bad it is when the air goes out of range (common practice, no source), in margins of the window, so that one
    point of RH, 0.5 °C and 0.2 % EMC weigh alike where nothing else is set: serious_margins, severe_margins: so far
    outside, once it has been as much as an hour of that (serious) or four (severe).  serious_margin_hours,
    severe_margin_hours: how far outside times how long. 24 is one point of RH for a day; 240 is ten points for a day,
    or two for five days.
    """

    rh_change_percent: float | None = 10.0
    grains_change_gpp: float | None = None
    heading_out_hours: float | None = 2.0
    condensation_margin_c: float | None = 3.0
    slab_rh_percent: float | None = 75.0
    stuck_hours: float | None = 24.0
    apart_percent: float | None = 8.0
    battery_percent: float | None = 15.0
    mould_rh_percent: float | None = 80.0
    mould_index: float | None = 1.0
    check_ahead_days: float | None = 14.0
    depression_gpp: float | None = 5.0
    serious_margins: float | None = 5.0
    serious_margin_hours: float | None = 24.0
    severe_margins: float | None = 15.0
    severe_margin_hours: float | None = 240.0

    def __post_init__(self) -> None:
        _check(self)


@dataclass(frozen=True, slots=True)
class StationRules:
    """The limits of the station itself: what keeps the watch from watching. All figures are our choice.

    adapter_down_minutes: an adapter without a reading, in trouble, for longer than this.
    disk_free_mb: less than this left on the disk that holds the readings.
    clock_off_minutes: our clock stepped by more than this, or stands before readings that it stamped itself.
    clock_unsynchronised_hours: the system says for so long that no time server sets the clock (only where the system
    says anything, and off unless set: many a site has no way to one).
    behind_hours: the oldest reading that the central engine lacks is older than this.
    """

    adapter_down_minutes: float | None = 15.0
    disk_free_mb: float | None = 500.0
    clock_off_minutes: float | None = 2.0
    clock_unsynchronised_hours: float | None = None
    behind_hours: float | None = 6.0

    def __post_init__(self) -> None:
        _check(self)


def _check(rules: Rules | StationRules) -> None:
    for field in fields(rules):
        limit = getattr(rules, field.name)
        if limit is not None and not limit > 0:
            raise ValueError(f"{field.name} must be above 0, not {limit}")
