"""Mould risk from an hourly history of temperature and RH at a surface.

Two criteria. The **VTT mould-growth index** M, 0 (none) to 6 (all over): Hukka and Viitanen (1999), Wood Science and
Technology 33, 475-485, for pine and spruce sapwood; and its later form with four sensitivity classes and a decline
factor for the material (Viitanen and Ojanen 2007; Ojanen et al. 2010). 1 is growth seen under the microscope only, 3
growth seen by eye. The **ISO 13788 surface-humidity criterion**: monthly mean RH at the surface not above 80 %.

Misprints in circulation: the linear term of the critical RH is -3.13 T (+3.13 would give 205 % at 20 °C, -3.13 gives
80 %), and the rate's factor k1 switches on M, not on M_max. The tests pin both.

**Caution.** The index estimates; it proves neither growth nor its absence, says nothing of health, and starts from the
climate at the surface, which a room sensor does not measure. Visible or suspected mould, and any water that may be
contaminated, is for people trained in it and for local rules.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.physics.mould_march import HOURS_PER_WEEK, Course, MouldState, march
from ingest.physics.pointwise import FloatArray, Number, inside, pointwise

CRITICAL_SURFACE_RH_PERCENT: Final = 80.0  # ISO 13788, monthly mean at the surface
LONGEST_STEP_HOURS: Final = 6.0
GROWTH_TEMPERATURE_C: Final = (0.0, 50.0)  # growth strictly between
LONGEST_LOOK_WEEKS: Final = 104.0


class Wood(enum.IntEnum):
    """W of the 1999 model."""

    PINE = 0
    SPRUCE = 1


class Surface(enum.IntEnum):
    """SQ of the 1999 model: how the wood's surface was made."""

    RESAWN = 0  # resawn after kiln drying: the worst case
    KILN_DRIED = 1  # the original, kiln-dried surface


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """A class of materials: growth factors k1 below and from M = 1, M_max coefficients A, B, C, least critical RH."""

    name: str
    examples: str
    k1_young: float
    k1_grown: float
    a: float
    b: float
    c: float
    lowest_critical_rh_percent: float


VERY_SENSITIVE: Final = Sensitivity("very sensitive", "pine sapwood", 1.0, 2.0, 1.0, 7.0, 2.0, 80.0)
SENSITIVE: Final = Sensitivity(
    "sensitive", "glued wooden boards, spruce, paper-faced products", 0.578, 0.386, 0.3, 6.0, 1.0, 80.0
)
MEDIUM_RESISTANT: Final = Sensitivity(
    "medium resistant", "concrete, cement and plastic based products, mineral wool", 0.072, 0.097, 0.0, 5.0, 1.5, 85.0
)
RESISTANT: Final = Sensitivity(
    "resistant", "glass, metal, products with effective protection", 0.033, 0.014, 0.0, 3.0, 1.0, 85.0
)
SENSITIVITIES: Final = (VERY_SENSITIVE, SENSITIVE, MEDIUM_RESISTANT, RESISTANT)


def critical_rh_percent(temperature_c: Number, sensitivity: Sensitivity = VERY_SENSITIVE) -> Number:
    """RH [%] from which mould grows at this temperature [°C]; 100 at and below 0 °C.

    -0.00267 T³ + 0.160 T² - 3.13 T + 100 to 20 °C, the class's least value (80 or 85 %) above; never below the latter.
    """

    def kernel(t: FloatArray) -> FloatArray:
        return _critical_rh(t, sensitivity.lowest_critical_rh_percent)

    return pointwise(kernel, temperature_c)


def weeks_to_first_growth(
    temperature_c: Number, rh_percent: Number, wood: Wood = Wood.PINE, surface: Surface = Surface.RESAWN
) -> Number:
    """Response time t_m [weeks] in which M grows from 0 to 1 in a constant favourable climate.

    exp(-0.68 ln T - 13.9 ln RH + 0.14 W - 0.33 SQ + 66.02).  temperature_c: above 0 [°C]; rh_percent: [%]; else NaN.
    """
    return pointwise(lambda t, rh: _weeks_to_1(t, rh, wood, surface), temperature_c, rh_percent)


def weeks_to_visible_growth(temperature_c: Number, rh_percent: Number, wood: Wood = Wood.PINE) -> Number:
    """Response time t_v [weeks] in which M grows from 0 to 3: exp(-0.74 ln T - 12.72 ln RH + 0.06 W + 61.50)."""
    return pointwise(lambda t, rh: _weeks_to_3(t, rh, wood), temperature_c, rh_percent)


def mould_index(
    temperature_c: FloatArray,
    rh_percent: FloatArray,
    *,
    sensitivity: Sensitivity = VERY_SENSITIVE,
    decline_factor: float = 1.0,
    start: float = 0.0,
    hours_per_step: float = 1.0,
) -> FloatArray:
    """Mould index through a history, by the later form of the model (classes and decline).

    temperature_c, rh_percent: climate at the surface at equal steps, one-dimensional.  decline_factor: of the material,
    0..1 (1 for pine; 0.5, 0.25, 0.1 for materials on which growth hardly dies back).  start: M before the first step.
    hours_per_step: at most 6, because growth and the first hours of decline are resolved no coarser.
    Gives M after each step, 0..6. An RH above 100 % is a wet surface and counts as 100; one below 0 as NaN. Where
    a reading is NaN the index stands still, neither growing nor declining: what was not measured is not judged; say
    the coverage beside the figure.
    Raises ValueError when the arrays differ in shape, or a step is not in 0..6 hours.
    """
    hours = np.full(np.shape(temperature_c), hours_per_step, dtype=np.float64)
    history, _ = mould_index_onward(
        MouldState(start), temperature_c, rh_percent, hours, sensitivity=sensitivity, decline_factor=decline_factor
    )
    return history


def mould_index_onward(
    state: MouldState,
    temperature_c: FloatArray,
    rh_percent: FloatArray,
    hours: FloatArray,
    *,
    sensitivity: Sensitivity = VERY_SENSITIVE,
    decline_factor: float = 1.0,
) -> tuple[FloatArray, MouldState]:
    """Carry `mould_index` on from a state, through steps of unlike lengths: for histories that come in parts.

    temperature_c, rh_percent: climate at the surface during each step, (n,).  hours: length of each step, (n,), 0..6;
    one of 0 changes nothing.  Gives M after each step, and the state to go on with.
    Raises ValueError when the arrays differ in shape, or a step is not in 0..6 hours.
    """
    t, rh, hours = _checked(temperature_c, rh_percent, hours)
    weeks = _favourable_weeks(t, rh, Wood.PINE, Surface.RESAWN)
    return march(_course(t, rh, weeks, sensitivity, sensitivity.k1_grown), hours, state, decline_factor)


def weeks_to_index(
    temperature_c: float,
    rh_percent: float,
    index: float,
    *,
    sensitivity: Sensitivity = VERY_SENSITIVE,
    longest_weeks: float = LONGEST_LOOK_WEEKS,
) -> float:
    """Weeks after which a constant climate [°C, % RH at the surface] brings M from 0 to `index`, to the hour.

    NaN when it does not within `longest_weeks`: too dry or cold, or M's highest value there lies below.
    """
    hours = round(longest_weeks * HOURS_PER_WEEK)
    history = mould_index(np.full(hours, temperature_c), np.full(hours, rh_percent), sensitivity=sensitivity)
    reached = np.flatnonzero(history >= index)
    return float((reached[0] + 1) / HOURS_PER_WEEK) if reached.size else float("nan")


def mould_index_1999(
    temperature_c: FloatArray,
    rh_percent: FloatArray,
    *,
    wood: Wood = Wood.PINE,
    surface: Surface = Surface.RESAWN,
    start: float = 0.0,
    hours_per_step: float = 1.0,
) -> FloatArray:
    """Mould index through a history, by the original model for pine and spruce sapwood (Hukka and Viitanen 1999).

    There k1 is 1 below M = 1 and 2 / (t_v / t_m - 1) from there; the rest, and the arguments, as in `mould_index`.
    """
    t, rh, hours = _checked(temperature_c, rh_percent, np.full(np.shape(temperature_c), hours_per_step))
    weeks = _favourable_weeks(t, rh, wood, surface)
    with np.errstate(all="ignore"):
        grown = 2.0 / (_weeks_to_3(t, rh, wood) / weeks - 1.0)
    history, _ = march(_course(t, rh, weeks, VERY_SENSITIVE, grown), hours, MouldState(start), 1.0)
    return history


def monthly_surface_rh_exceeds(mean_surface_rh_percent: Number) -> bool | NDArray[np.bool_]:
    """Say whether a month's mean surface RH [%] is above the 80 % that ISO 13788 takes as critical for mould."""
    above = np.asarray(mean_surface_rh_percent) > CRITICAL_SURFACE_RH_PERCENT
    return above if above.ndim else bool(above)


def _critical_rh(t: FloatArray, lowest: float) -> FloatArray:
    cold = ((-0.00267 * t + 0.160) * t - 3.13) * t + 100.0
    return np.where(t <= 0.0, 100.0, np.where(t > 20.0, lowest, np.maximum(cold, lowest))) + 0.0 * t


def _weeks_to_1(t: FloatArray, rh: FloatArray, wood: Wood, surface: Surface) -> FloatArray:
    return np.asarray(np.exp(-0.68 * np.log(t) - 13.9 * np.log(rh) + 0.14 * wood - 0.33 * surface + 66.02))


def _weeks_to_3(t: FloatArray, rh: FloatArray, wood: Wood) -> FloatArray:
    return np.asarray(np.exp(-0.74 * np.log(t) - 12.72 * np.log(rh) + 0.06 * wood + 61.50))


def _favourable_weeks(t: FloatArray, rh: FloatArray, wood: Wood, surface: Surface) -> FloatArray:
    with np.errstate(all="ignore"):
        return _weeks_to_1(t, rh, wood, surface)


def _checked(
    temperature_c: FloatArray, rh_percent: FloatArray, hours: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    t, rh, steps = (np.asarray(values, np.float64) for values in (temperature_c, rh_percent, hours))
    if not t.shape == rh.shape == steps.shape or t.ndim != 1:
        raise ValueError(
            f"temperature, RH and hours must be one-dimensional and alike, not {t.shape}, {rh.shape}, {steps.shape}"
        )
    if not ((steps >= 0.0) & (steps <= LONGEST_STEP_HOURS)).all():
        raise ValueError(f"a step must be at most {LONGEST_STEP_HOURS:g} hours, and none below 0")
    return t, inside(np.minimum(rh, 100.0), 0.0, 100.0), steps


def _course(
    t: FloatArray, rh: FloatArray, weeks: FloatArray, sensitivity: Sensitivity, k1_grown: float | FloatArray
) -> Course:
    low, high = GROWTH_TEMPERATURE_C
    with np.errstate(all="ignore"):
        critical = _critical_rh(t, sensitivity.lowest_critical_rh_percent)
        growing = (t > low) & (t < high) & (rh >= critical)
        x = (critical - rh) / (critical - 100.0)
        largest = np.where(growing, np.maximum(sensitivity.a + (sensitivity.b - sensitivity.c * x) * x, 0.0), 0.0)
        rate = np.where(growing, 1.0 / (HOURS_PER_WEEK * weeks), 0.0)
    young, grown = (np.broadcast_to(k1, t.shape).tolist() for k1 in (sensitivity.k1_young, k1_grown))
    known = ~(np.isnan(t) | np.isnan(rh))
    return Course(rate.tolist(), growing.tolist(), known.tolist(), largest.tolist(), young, grown)
