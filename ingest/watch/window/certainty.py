"""How sure it is that the air was outside: the excess beside what the sensor may be wrong by. Pure."""

from __future__ import annotations

import math

from ingest.physics.uncertainty import emc_uncertainty_percent, standard_from_limits
from ingest.physics.wood import rh_for_emc_percent
from ingest.site.places import Sensor

_ROOM_C = 20.0
"""EMC is weighed as of a room this warm: between 10 and 30 °C that changes its uncertainty by less than a tenth."""


def accuracy(sensor: Sensor | None, quantity: str | None, value: float | None) -> float | None:
    """Give how far a sensor may be wrong in a quantity at a value (±, in its unit); None where nothing is stated.

    For EMC: the expanded uncertainty (k = 2) that follows from the sensor's temperature and RH (GUM).
    """
    if sensor is None or value is None:
        return None
    if quantity == "temperature_c":
        return sensor.accuracy_temperature_c
    if quantity == "rh_percent":
        return sensor.accuracy_rh_percent
    if quantity != "emc_percent":
        return None
    humidity = rh_for_emc_percent(_ROOM_C, value)
    by_t, by_rh = map(standard_from_limits, (sensor.accuracy_temperature_c, sensor.accuracy_rh_percent))
    expanded = float(emc_uncertainty_percent(_ROOM_C, humidity, by_t, by_rh).expanded)
    return None if math.isnan(expanded) else expanded


def is_certain(value: float, bound: float, accurate_to: float) -> bool:
    """Tell whether a value lies outside by more than its sensor may be wrong."""
    return abs(value - bound) > accurate_to
