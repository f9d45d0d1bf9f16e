"""Air on the move: warmed or cooled without gaining water, mixed, or to be warmed until RH or EMC is low enough.

The questions behind them: what would opening this window do, what does the heater do to the wood, how warm must the
store be. Conventions as in `ingest.physics.air`: RH over liquid water, NaN for what cannot be or is not known.
"""

from __future__ import annotations

from typing import Final, Generic, NamedTuple, cast

import numpy as np

from ingest.physics import air_kernels as k
from ingest.physics import saturation as sat
from ingest.physics.pointwise import FloatArray, Number, Values, inside, pointwise, pointwise_many
from ingest.physics.wood import EMC_COMPUTED_TEMPERATURE_C, emc_kernel
from ingest.units import ZERO_C_IN_K

_HALVINGS: Final = 48  # 250 °C halved so often is below 1e-12 °C


def rh_at_temperature_percent(temperature_c: Number, rh_percent: Number, new_temperature_c: Number) -> Number:
    """RH over liquid water [%] of the same air brought to another temperature without gaining or losing water.

    Outdoor air let in and warmed, or room air cooled at a window. Pressure and so vapour pressure stay as they are.
    temperature_c, new_temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  NaN where it would condense (the new
    temperature lies below the dew point).
    """
    return pointwise(_rh_at, temperature_c, rh_percent, new_temperature_c)


def temperature_for_rh_c(temperature_c: Number, rh_percent: Number, wanted_rh_percent: Number) -> Number:
    """Temperature [°C] to which this air must be warmed (or cooled) for the wanted RH [%], without gaining water.

    temperature_c: [°C], -100..200.  rh_percent, wanted_rh_percent: [%], above 0 to 100.  NaN beyond 200 °C.
    """
    return pointwise(_temperature_for_rh, temperature_c, rh_percent, wanted_rh_percent)


def temperature_for_emc_c(temperature_c: Number, rh_percent: Number, wanted_emc_percent: Number) -> Number:
    """Temperature [°C] to which this air must be warmed (or cooled) until wood's EMC in it is as wanted [% MC].

    Without gaining water.  temperature_c: [°C], -60..150; rh_percent: [%], above 0 to 100; wanted_emc_percent: [%].
    NaN where no temperature between the dew point and 150 °C does it. EMC is a 1 to 2 % MC affair: see `wood`.
    """
    return pointwise(_temperature_for_emc, temperature_c, rh_percent, wanted_emc_percent)


class MixedAir(NamedTuple, Generic[Number]):
    """Two streams after mixing."""

    temperature_c: Number
    humidity_ratio_g_kg: Number
    rh_percent: Number  # NaN where the mixture would be oversaturated: fog


def mix(
    first: tuple[Number, Number],
    second: tuple[Number, Number],
    first_share: Number,
    pressure_kpa: Values = k.STANDARD_PRESSURE_KPA,
) -> MixedAir[Number]:
    """Mix two air streams adiabatically, conserving dry air, water and enthalpy.

    first, second: (temperature [°C], RH [%]).  first_share: share of the dry-air mass that comes from the first,
    0..1, else NaN.  pressure_kpa: air pressure of both [kPa].
    """
    mixed = pointwise_many(_mix, 3, *first, *second, first_share, pressure_kpa)
    return MixedAir(*(cast(Number, value) for value in mixed))


def _rh_at(temperature_c: FloatArray, rh_percent: FloatArray, new_temperature_c: FloatArray) -> FloatArray:
    ln_ratio = sat.ln_p_water(k.kelvin(temperature_c)) - sat.ln_p_water(k.kelvin(new_temperature_c))
    return k.percent(k.fraction(rh_percent) * np.exp(ln_ratio))


def _temperature_for_rh(temperature_c: FloatArray, rh_percent: FloatArray, wanted: FloatArray) -> FloatArray:
    ln_e = k.ln_vapour_pressure(temperature_c, rh_percent)
    return k.dew_point_from_ln(ln_e - np.log(k.fraction(wanted)))


def _temperature_for_emc(temperature_c: FloatArray, rh_percent: FloatArray, wanted: FloatArray) -> FloatArray:
    # EMC falls all the way from the dew point up (tested), so that halving cannot miss.
    ln_e = k.ln_vapour_pressure(temperature_c, rh_percent)
    low = np.maximum(k.dew_point_from_ln(ln_e), EMC_COMPUTED_TEMPERATURE_C[0])
    high = np.full_like(low, EMC_COMPUTED_TEMPERATURE_C[1])

    def emc_at(t: FloatArray) -> FloatArray:
        rh = 100.0 * np.exp(ln_e - sat.ln_p_water(t + ZERO_C_IN_K))
        return emc_kernel(t, np.minimum(rh, 100.0))

    possible = (wanted <= emc_at(low)) & (wanted >= emc_at(high))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        moist = emc_at(middle) > wanted
        low = np.where(moist, middle, low)
        high = np.where(moist, high, middle)
    return np.where(possible, 0.5 * (low + high), np.nan)


def _mix(
    t1: FloatArray, rh1: FloatArray, t2: FloatArray, rh2: FloatArray, share: FloatArray, p: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    share = inside(share, 0.0, 1.0)
    w1, w2 = k.humidity_ratio(t1, rh1, p), k.humidity_ratio(t2, rh2, p)
    w = share * w1 + (1.0 - share) * w2
    h = share * k.enthalpy_from_ratio(t1, w1) + (1.0 - share) * k.enthalpy_from_ratio(t2, w2)
    t = (h - 2.501 * w) / (1.006 + 0.00186 * w)
    return t, w, k.rh_from_humidity_ratio(t, w, p)
