"""The derived quantities as data: what each is called, its unit, and how it is computed from a reading.

The one list for everyone: the store keeps these series, the filter appends these columns, pages and mails print them.
Each `compute` takes (temperature_c, rh_percent, pressure_kpa) as floats or arrays that broadcast; NaN means not known.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from ingest.physics import air, wood
from ingest.physics import air_kernels as k
from ingest.physics import saturation as sat
from ingest.physics.pointwise import FloatArray, Values, pointwise_many
from ingest.physics.wet_bulb import wet_bulb_kernel
from ingest.units import GRAINS_PER_POUND_MASS

Compute = Callable[[Values, Values, Values], Values]


@dataclass(frozen=True, slots=True)
class DerivedQuantity:
    """A quantity computed from temperature, RH and air pressure: its one name, its title and unit as printed."""

    name: str
    title: str
    unit: str
    compute: Compute  # (temperature_c, rh_percent, pressure_kpa) -> float or float64 array, as the inputs are


def _of_two(function: Callable[..., Values]) -> Compute:
    # Air pressure takes part in the broadcast all the same, so that every quantity of one batch has one shape.
    def compute(temperature_c: Values, rh_percent: Values, pressure_kpa: Values) -> Values:
        result = function(temperature_c, rh_percent)
        shape = np.broadcast_shapes(np.shape(result), np.shape(pressure_kpa))
        return result if shape == np.shape(result) else np.array(np.broadcast_to(result, shape))

    return compute


def _of_three(function: Callable[..., Values]) -> Compute:
    def compute(temperature_c: Values, rh_percent: Values, pressure_kpa: Values) -> Values:
        return function(temperature_c, rh_percent, pressure_kpa)

    return compute


def _by_name(*quantities: DerivedQuantity) -> Mapping[str, DerivedQuantity]:
    return {quantity.name: quantity for quantity in quantities}


DERIVED: Final[Mapping[str, DerivedQuantity]] = _by_name(
    DerivedQuantity("dew_point_c", "Dew point", "°C", _of_two(air.dew_point_c)),
    DerivedQuantity("vapour_pressure_kpa", "Vapour pressure", "kPa", _of_two(air.vapour_pressure_kpa)),
    DerivedQuantity("vpd_kpa", "Vapour-pressure deficit", "kPa", _of_two(air.vpd_kpa)),
    DerivedQuantity("humidity_ratio_g_kg", "Humidity ratio", "g/kg", _of_three(air.humidity_ratio_g_kg)),
    DerivedQuantity("grains_per_pound", "Grains per pound", "gr/lb", _of_three(air.grains_per_pound)),
    DerivedQuantity("wet_bulb_c", "Wet bulb", "°C", _of_three(air.wet_bulb_c)),
    DerivedQuantity("enthalpy_kj_kg", "Enthalpy", "kJ/kg", _of_three(air.enthalpy_kj_kg)),
    DerivedQuantity("absolute_humidity_g_m3", "Absolute humidity", "g/m³", _of_three(air.absolute_humidity_g_m3)),
    DerivedQuantity("emc_percent", "Equilibrium moisture content", "% MC", _of_two(wood.emc_percent)),
)

"""What the store keeps, the filter appends and the pages show."""

EXTRA: Final[Mapping[str, DerivedQuantity]] = _by_name(
    DerivedQuantity("frost_point_c", "Frost point", "°C", _of_two(air.frost_point_c)),
    DerivedQuantity("specific_humidity_g_kg", "Specific humidity", "g/kg", _of_three(air.specific_humidity_g_kg)),
    DerivedQuantity("specific_volume_m3_kg", "Specific volume", "m³/kg", _of_three(air.specific_volume_m3_kg)),
    DerivedQuantity(
        "degree_of_saturation_percent", "Degree of saturation", "%", _of_three(air.degree_of_saturation_percent)
    ),
)
"""Further quantities, computed where someone asks for them by name."""


def derive_all(
    temperature_c: Values, rh_percent: Values, pressure_kpa: Values, *, names: Collection[str] | None = None
) -> dict[str, FloatArray]:
    """Compute every derived quantity, or those named, in one pass, sharing what they have in common.

    temperature_c: [°C]; rh_percent: [%] over liquid water; pressure_kpa: [kPa]; floats or arrays that broadcast.
    names: some of `DERIVED`; KeyError for any other.
    Gives name -> float64 array of the broadcast shape, in the order of `DERIVED`; NaN where not known. The values are
    those of the quantities' own `compute` but for the last bits.
    """
    for name in names or ():
        if name not in DERIVED:
            raise KeyError(f"{name!r} is no derived quantity; those are {', '.join(DERIVED)}")
    wanted = [name for name in DERIVED if names is None or name in names]

    def kernel(*inputs: FloatArray) -> tuple[FloatArray, ...]:
        block = _Block(*inputs)
        return tuple(_KERNELS[name](block) for name in wanted)

    results = pointwise_many(kernel, len(wanted), temperature_c, rh_percent, pressure_kpa)
    return {name: np.asarray(result, dtype=np.float64) for name, result in zip(wanted, results, strict=True)}


class _Block:
    """One block of readings, and what several quantities need of it, computed on first use and never written to."""

    def __init__(self, temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> None:
        self.temperature_c, self.rh_percent, self.pressure_kpa = temperature_c, rh_percent, pressure_kpa

    @cached_property
    def kelvin(self) -> FloatArray:
        return k.kelvin(self.temperature_c)

    @cached_property
    def fraction(self) -> FloatArray:
        return k.fraction(self.rh_percent)

    @cached_property
    def ln_saturation(self) -> FloatArray:
        return sat.ln_p_water(self.kelvin)

    @cached_property
    def saturation(self) -> FloatArray:
        return np.asarray(np.exp(self.ln_saturation))

    @cached_property
    def vapour(self) -> FloatArray:
        return self.saturation * self.fraction

    @cached_property
    def enhanced_vapour(self) -> FloatArray:
        e = sat.enhancement_over_water(self.kelvin, self.saturation, self.pressure_kpa)
        e *= self.vapour
        return e

    @cached_property
    def ratio(self) -> FloatArray:
        return k.ratio(self.enhanced_vapour, self.pressure_kpa)


_KERNELS: Final[Mapping[str, Callable[[_Block], FloatArray]]] = {
    "dew_point_c": lambda block: k.dew_point_from_ln(block.ln_saturation + np.log(block.fraction)),
    "vapour_pressure_kpa": lambda block: block.vapour,
    "vpd_kpa": lambda block: block.saturation - block.vapour,
    "humidity_ratio_g_kg": lambda block: block.ratio,
    "grains_per_pound": lambda block: block.ratio * (GRAINS_PER_POUND_MASS / 1000.0),
    "wet_bulb_c": lambda block: wet_bulb_kernel(block.temperature_c, 0.001 * block.ratio, block.pressure_kpa),
    "enthalpy_kj_kg": lambda block: k.enthalpy_from_ratio(block.temperature_c, block.ratio),
    "absolute_humidity_g_m3": lambda block: k.absolute_from_pressure(
        block.enhanced_vapour, block.kelvin, block.pressure_kpa
    ),
    "emc_percent": lambda block: wood.emc_kernel(block.temperature_c, block.rh_percent),
}
