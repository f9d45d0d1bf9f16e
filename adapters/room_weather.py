"""The weather outside a simulated room: an invented cool, damp place, the same for every room of one weather seed.

A pure function of the instant: the yearly and daily cycle, fronts that pass every few days, cloud that goes with damp
air, and the sun. The figures of `Climate` are invented to be believable for a lowland in the middle latitudes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from adapters.room_chance import Floats, Int64s, smooth

MS_PER_HOUR: Final = 3_600_000
HOURS_PER_YEAR: Final = 365.2422 * 24.0
# 1970-01-01 to midnight of 22 July, when this place is warmest (about a month after the longest day).
WARMEST_H: Final = 202.0 * 24.0

# Streams of chance; each course of the weather has its own.
_FRONTS, _SQUALLS, _GUSTS, _CLOUD, _SHOWERS, _DAMP = range(100, 106)


@dataclass(frozen=True, slots=True)
class Climate:
    """What the weather varies about.  Temperatures in °C, the swings are half of the range, latitude in degrees."""

    mean_c: float = 10.0
    yearly_swing_c: float = 8.5
    daily_swing_winter_c: float = 2.0
    daily_swing_summer_c: float = 5.0
    front_deviation_c: float = 3.0  # of the changes that fronts bring, over days
    dew_point_depression_winter_c: float = 2.2  # mean temperature of the day minus dew point, under half cloud
    dew_point_depression_summer_c: float = 5.0
    latitude_deg: float = 50.0


class Outdoors(NamedTuple):
    """The weather at n instants, arrays of length n."""

    temperature_c: Floats
    dew_point_c: Floats  # over water, never above the temperature
    cloud: Floats  # share of the sky, 0 to 1
    sun_w_m2: Floats  # on a horizontal surface


def outdoors(climate: Climate, seed: int, at_ms: Int64s) -> Outdoors:
    """Give the weather at these instants (UTC, ms; the place lies on the meridian of Greenwich, so UTC is sun time)."""
    at_h = at_ms / MS_PER_HOUR
    summer = 0.5 + 0.5 * np.cos(2.0 * np.pi * (at_h - WARMEST_H) / HOURS_PER_YEAR)  # 0 midwinter, 1 midsummer
    # The logistic function turns a normal course into a share of the sky.
    cloud = 1.0 / (1.0 + np.exp(-1.4 * (smooth(seed, _CLOUD, at_h, 60.0) + 0.7 * smooth(seed, _SHOWERS, at_h, 15.0))))
    fronts = (
        0.92 * smooth(seed, _FRONTS, at_h, 72.0)
        + 0.37 * smooth(seed, _SQUALLS, at_h, 20.0)
        + 0.10 * smooth(seed, _GUSTS, at_h, 4.0)
    )
    of_the_day_c = climate.mean_c + climate.yearly_swing_c * (2.0 * summer - 1.0) + climate.front_deviation_c * fronts
    # A clear sky warms the day and cools the night; the warmest hour is about three in the afternoon.
    swing_c = _between(climate.daily_swing_winter_c, climate.daily_swing_summer_c, summer) * (1.45 - 0.9 * cloud)
    temperature_c = of_the_day_c + swing_c * np.cos(2.0 * np.pi * (at_h - 15.0) / 24.0)
    usual_c = _between(climate.dew_point_depression_winter_c, climate.dew_point_depression_summer_c, summer)
    depression_c = usual_c * (1.5 - cloud + 0.25 * smooth(seed, _DAMP, at_h, 30.0))
    dew_point_c = np.minimum(of_the_day_c - np.maximum(depression_c, 0.3), temperature_c - 0.1)
    return Outdoors(temperature_c, dew_point_c, cloud, sun_w_m2(climate.latitude_deg, at_h, cloud))


def sun_w_m2(latitude_deg: float, at_h: Floats, cloud: Floats) -> Floats:
    """Give the sun on a horizontal surface (W/m2).  at_h: hours since 1970 in sun time.  cloud: 0 to 1.

    Sources, from memory: declination, Cooper (1969); clear sky, Haurwitz (1945); cloud, Kasten and Czeplak (1980).
    The declination and the clear sky are checked against pvlib in the tests.
    """
    day = at_h / 24.0
    declination = np.radians(23.45) * np.sin(2.0 * np.pi * (283.0 + day % 365.2422) / 365.0)
    hour_angle = 2.0 * np.pi * (day % 1.0 - 0.5)
    latitude = np.radians(latitude_deg)
    height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    up = np.maximum(height, 1e-3)
    clear = np.where(height > 0.0, 1098.0 * up * np.exp(-0.059 / up), 0.0)
    return np.asarray(clear * (1.0 - 0.75 * cloud**3.4))


def _between(winter: float, summer_value: float, summer: Floats) -> Floats:
    return winter + (summer_value - winter) * summer
