"""The EMC of a room's air day by day: mean, lowest and highest of each day's hourly values, and the picture of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from ingest.practice.plans import plan_on_record
from ingest.practice.room_air import hourly_by_sensor, hourly_emc, room_air
from ingest.practice.week_edges import days_touching, hour_edges_ms
from ingest.present.season_picture import EmcDay, SeasonPicture
from ingest.site.places import AcclimationWindow, Room, Site
from ingest.store.api import SeriesReader
from ingest.watch.window.plan import EVER_MS, Held, Plan, window_at

_DAYS_AT_ONCE: Final = 91


def daily_emc(
    reader: SeriesReader, site: Site, room: Room, from_ms: int, to_ms: int, *, window: AcclimationWindow | None = None
) -> list[EmcDay]:
    """Give each day of the site's calendar with a part in from_ms <= t < to_ms, in order.

    Hours count and sensors go together as in `ingest.practice.weeks`; a day without an hour that counts has no figures.
    window: as there; each day has the bounds of the window that the room had then, for phases begin with a day.
    """
    plan: Plan = plan_on_record(reader, site, room) if window is None else (Held(EVER_MS, window),)
    calendar = days_touching(from_ms, to_ms, site.time_zone)
    found: list[EmcDay] = []
    for first in range(0, len(calendar), _DAYS_AT_ONCE):
        spans = calendar[first : first + _DAYS_AT_ONCE]
        air = room_air(reader, site, room, max(from_ms, spans[0].from_ms), min(to_ms, spans[-1].to_ms))
        hours_ms = hour_edges_ms(spans, air.from_ms, air.to_ms)
        by_sensor = hourly_by_sensor(air, hours_ms)
        for span in spans:
            begins, ends = np.searchsorted(hours_ms, np.clip(span, air.from_ms, air.to_ms))
            emc = hourly_emc(by_sensor[:, int(begins) : int(ends)])
            rule = window_at(plan, span.from_ms)
            day = EmcDay(span, bounds=None if rule is None else rule.emc_percent)
            if emc is not None:
                day = replace(day, lowest=emc.lowest, mean=emc.mean, highest=emc.highest, hours=emc.hours)
            found.append(day)
    return found


def season_picture(
    reader: SeriesReader,
    site: Site,
    room: Room,
    from_ms: int,
    to_ms: int,
    *,
    window: AcclimationWindow | None = None,
    credit: str = "",
) -> SeasonPicture:
    """Gather the picture of a room's EMC over a season.  window: as for `week_by_week`.  credit: whose readings."""
    return SeasonPicture(
        title=f"{room.title}: the EMC of its air",
        days=tuple(daily_emc(reader, site, room, from_ms, to_ms, window=window)),
        time_zone=site.time_zone,
        credit=credit,
    )
