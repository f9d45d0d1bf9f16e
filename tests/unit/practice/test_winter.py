"""What a real northern winter did in a real room, against plain counting over the published file.

Data: TRH-tietokanta (the TRH database), measurement R1, indoor air, CC BY 4.0; see tests/data/measured_room/README.md.
Weeks and months are of local standard time (UTC+2), as the file's times are.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from ingest.practice.days import season_picture
from ingest.practice.weeks import Week, WeekState, week_by_week
from ingest.present.season_picture import months_of
from ingest.site.places import AcclimationWindow, Bounds

STANDARD_TIME = dt.timezone(dt.timedelta(hours=2))
FROM_MS = int(dt.datetime(2020, 12, 14, tzinfo=STANDARD_TIME).timestamp() * 1000)
TO_MS = int(dt.datetime(2021, 5, 17, tzinfo=STANDARD_TIME).timestamp() * 1000)
HOUR_MS = 3_600_000


def weeks_of(winter: Any, window: AcclimationWindow | None = None) -> dict[str, Week]:
    """Give the weeks by the date of their Monday."""
    found = week_by_week(winter.store.read, winter.site, winter.site.rooms[0], FROM_MS, TO_MS, window=window)
    return {dt.datetime.fromtimestamp(w.calendar.from_ms / 1000, STANDARD_TIME).strftime("%m-%d"): w for w in found}


def handbook_emc_percent(temperature_c: float, rh: float) -> float:
    """Work out EMC [%] by the Wood Handbook's Eq. 4-5 (FPL-GTR-282), °C form.  rh: a fraction."""
    t = temperature_c
    w = 349 + 1.29 * t + 0.0135 * t * t
    k = 0.805 + 0.000736 * t - 0.00000273 * t * t
    k1 = 6.27 - 0.00938 * t - 0.000303 * t * t
    k2 = 1.91 + 0.0407 * t - 0.000293 * t * t
    x = k * rh
    return 1800 / w * (x / (1 - x) + (k1 * x + 2 * k1 * k2 * x * x) / (1 + k1 * x + k1 * k2 * x * x))


def test_hours_of_every_week_are_those_counted_from_the_file(winter: Any) -> None:
    """Each row of the file stands until the next one; so counted, RH and EMC give the same hours outside, week by week.

    The file has no gap: its rows are ten minutes apart, but for a step to 9 and to 11.
    """
    found = weeks_of(winter)
    assert len(found) == 22
    ends_ms = [*winter.at_ms[1:], winter.at_ms[-1] + 3 * 600_000]
    for week in found.values():
        outside_ms = 0
        for at, end, t, rh in zip(winter.at_ms, ends_ms, winter.temperature_c, winter.rh_percent, strict=True):
            if not (30 <= rh <= 50 and 6 <= handbook_emc_percent(t, rh / 100) <= 9):
                outside_ms += max(0, min(end, week.looked_at.to_ms) - max(at, week.looked_at.from_ms))
        assert week.outside_ms == outside_ms
    assert max(after - before for before, after in zip(winter.at_ms, winter.at_ms[1:], strict=False)) < 1_200_000


def test_which_weeks_left_the_window_and_for_how_long(winter: Any) -> None:
    """The weeks of the tour: out for most of the known time in six of them, never at all in one."""
    found = weeks_of(winter)
    mostly = [monday for monday, week in found.items() if week.outside_ms > week.within_ms]
    assert mostly == ["12-14", "01-11", "02-01", "02-08", "02-15", "05-10"]
    assert {monday: week.state for monday, week in found.items() if week.state is not WeekState.OUT_OF_RANGE} == {
        "01-18": WeekState.BRIEFLY_OUT,
        "05-03": WeekState.IN_RANGE,
    }
    assert (found["02-08"].within_ms, found["02-08"].coverage) == (HOUR_MS // 3, 1.0)  # two readings at 30.1 %
    driest = next(p for p in found["02-15"].passed if (p.quantity, p.side) == ("rh_percent", "below"))
    assert driest.worst == min(winter.rh_percent) == 12.17
    assert found["12-14"].coverage == pytest.approx(56.75 / 168, abs=1e-9)  # from Friday 15:15 on


def test_rh_and_emc_judged_apart(winter: Any) -> None:
    """Below 6 % EMC and below 30 % RH are not the same weeks: the cool room keeps its EMC up a little longer."""
    by_rh = weeks_of(winter, AcclimationWindow(rh_percent=Bounds(30.0, 50.0)))
    by_emc = weeks_of(winter, AcclimationWindow(emc_percent=Bounds(6.0, 9.0)))
    a_day = 24 * HOUR_MS
    out_by_rh = [monday for monday, week in by_rh.items() if week.outside_ms > a_day]
    out_by_emc = [monday for monday, week in by_emc.items() if week.outside_ms > a_day]
    assert out_by_rh == [
        "12-14", "12-21", "01-11", "01-25", "02-01", "02-08", "02-15", "02-22", "03-01", "03-08", "03-15", "05-10",
    ]  # fmt: skip
    assert out_by_emc == ["12-14", "12-21", "01-11", "02-01", "02-08", "02-15", "02-22", "03-01", "03-08", "05-10"]


def test_monthly_means_of_the_hourly_emc(winter: Any) -> None:
    """What the winter did: from 8.7 % in December to 5.7 % in February and back to 8.7 % in May."""
    picture = season_picture(winter.store.read, winter.site, winter.site.rooms[0], FROM_MS, TO_MS)
    told = {f"{month.name} {month.year}": round(month.mean or 0.0, 1) for month in months_of(picture)}
    assert told == {
        "Dec 2020": 8.7,
        "Jan 2021": 7.1,
        "Feb 2021": 5.7,
        "Mar 2021": 7.2,
        "Apr 2021": 7.8,
        "May 2021": 8.7,
    }
    hours: dict[int, list[float]] = {}
    for at, t, rh in zip(winter.at_ms, winter.temperature_c, winter.rh_percent, strict=True):
        if dt.datetime.fromtimestamp(at / 1000, STANDARD_TIME).strftime("%Y-%m") == "2021-02":
            hours.setdefault(at // HOUR_MS, []).append(handbook_emc_percent(t, rh / 100))
    february = next(month for month in months_of(picture) if month.name == "Feb")
    # Means over readings there, over time here: they differ where an hour's first reading was before it.
    plain = sum(sum(values) / len(values) for values in hours.values()) / len(hours)
    assert february.mean == pytest.approx(plain, abs=0.01)
