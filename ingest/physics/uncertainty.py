"""How sure a derived figure is: from a sensor's stated accuracy to the uncertainty of dew point, GPP and EMC.

First-order propagation of the GUM (JCGM 100:2008, Eq. 10), with analytic sensitivities and uncorrelated inputs:
u² = (∂f/∂t)² u_t² + (∂f/∂RH)² u_RH². Checked by Monte Carlo in the tests (JCGM 101). It counts the sensor alone: not
where it hangs, not how even the room is, and for EMC not that a real board is 1 to 2 % MC from the equation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Generic, NamedTuple, cast

import numpy as np

from ingest.physics import air_kernels as k
from ingest.physics import saturation as sat
from ingest.physics.pointwise import FloatArray, Number, Values, pointwise, pointwise_many
from ingest.physics.wood import slopes_kernel
from ingest.units import ZERO_C_IN_K

COVERAGE_FACTOR: Final = 2.0
"""k of the expanded uncertainty: about 95 % for a normal distribution (GUM 6.3.3)."""


class Sensitivities(NamedTuple, Generic[Number]):
    """Partial derivatives of a quantity by temperature and by RH."""

    per_kelvin: Number
    per_rh_percent: Number


class Uncertainty(NamedTuple, Generic[Number]):
    """A quantity's standard uncertainty, in its own unit, and the expanded one (k = 2)."""

    standard: Number
    expanded: Number


def standard_from_limits(limit: Number) -> Number:
    """Give the standard uncertainty of a stated "± limit" with nothing said of how sure: rectangular (GUM 4.3.7)."""
    return limit / math.sqrt(3.0)


def dew_point_sensitivities(temperature_c: Number, rh_percent: Number) -> Sensitivities[Number]:
    """How the dew point answers: [°C per °C] and [°C per % RH].  temperature_c: [°C]; rh_percent: [%], above 0."""
    return Sensitivities(*_pair(_dew_point, temperature_c, rh_percent))


def grains_per_pound_sensitivities(
    temperature_c: Number, rh_percent: Number, pressure_kpa: Values = k.STANDARD_PRESSURE_KPA
) -> Sensitivities[Number]:
    """How grains per pound answer: [gr/lb per °C] and [gr/lb per % RH]; the enhancement factor's own slope left out."""
    return Sensitivities(*_pair(_grains, temperature_c, rh_percent, pressure_kpa))


def emc_sensitivities(temperature_c: Number, rh_percent: Number) -> Sensitivities[Number]:
    """How EMC answers: [% MC per °C] and [% MC per % RH].  temperature_c: -60..150; rh_percent: 0..100, else NaN."""
    return Sensitivities(*_pair(slopes_kernel, temperature_c, rh_percent))


def dew_point_uncertainty_c(
    temperature_c: Number, rh_percent: Number, standard_temperature_c: Values, standard_rh_percent: Values
) -> Uncertainty[Number]:
    """Uncertainty of the dew point [°C] from the standard uncertainties of temperature [°C] and RH [%]."""
    return _combine(dew_point_sensitivities(temperature_c, rh_percent), standard_temperature_c, standard_rh_percent)


def grains_per_pound_uncertainty(
    temperature_c: Number,
    rh_percent: Number,
    standard_temperature_c: Values,
    standard_rh_percent: Values,
    pressure_kpa: Values = k.STANDARD_PRESSURE_KPA,
) -> Uncertainty[Number]:
    """Uncertainty of grains per pound [gr/lb] from the standard uncertainties of temperature [°C] and RH [%]."""
    return _combine(
        grains_per_pound_sensitivities(temperature_c, rh_percent, pressure_kpa),
        standard_temperature_c,
        standard_rh_percent,
    )


def emc_uncertainty_percent(
    temperature_c: Number, rh_percent: Number, standard_temperature_c: Values, standard_rh_percent: Values
) -> Uncertainty[Number]:
    """Uncertainty of EMC [% MC] from the standard uncertainties of temperature [°C] and RH [%]: the sensor's part."""
    return _combine(emc_sensitivities(temperature_c, rh_percent), standard_temperature_c, standard_rh_percent)


def _combine(sensitivities: Sensitivities[Number], u_t: Values, u_rh: Values) -> Uncertainty[Number]:
    standard = pointwise(_root_sum, sensitivities.per_kelvin, sensitivities.per_rh_percent, u_t, u_rh)
    return Uncertainty(standard, COVERAGE_FACTOR * standard)


def _root_sum(by_t: FloatArray, by_rh: FloatArray, u_t: FloatArray, u_rh: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(by_t * u_t, by_rh * u_rh))


def _pair(kernel: Callable[..., tuple[FloatArray, ...]], first: Number, *rest: Values) -> tuple[Number, Number]:
    by_t, by_rh = pointwise_many(kernel, 2, first, *rest)
    return cast(Number, by_t), cast(Number, by_rh)


def _dew_point(t: FloatArray, rh: FloatArray) -> tuple[FloatArray, FloatArray]:
    # ln p(dew) = ln p(t) + ln RH, differentiated on both sides.
    dew = k.dew_point(t, rh) + ZERO_C_IN_K
    slope = sat.slope_ln_p_water(dew)
    return sat.slope_ln_p_water(k.kelvin(t)) / slope, 1.0 / (rh * slope)


def _grains(t: FloatArray, rh: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    # W = R e / (p - e) gives dW = W p / (p - e) dln e.
    grains = k.grains_per_pound(t, rh, p)
    steep = 1.0 + grains / k.GRAINS_SCALE  # p / (p - e)
    by_ln = grains * steep
    return by_ln * sat.slope_ln_p_water(k.kelvin(t)), k.effective_saturation(
        t, p
    ) * steep**2 * k.GRAINS_SCALE * 0.01 / p
