"""Relative humidity over saturated salt solutions: what a sensor in the jar ought to read.

Source: L. Greenspan (1977), Humidity fixed points of binary saturated aqueous solutions, J. Res. NBS 81A, p. 89:
RH = A0 + A1 t + A2 t² + A3 t³, t in °C. The coefficients were read in two public codes; both print the linear terms of
LiCl and K2CO3 with the wrong sign, which the printed tables contradict (see METHODS.md). OIML R 121 (1996) gives the
uncertainties: 0.2 to 1 % RH with the salt. Below 20 °C lithium chloride has
two hydrates and is no fixed point (`Salt.fixed_point_from_c`): don't check a sensor with it there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ingest.errors import InputError
from ingest.physics.pointwise import FloatArray, Number, inside, pointwise
from ingest.physics.saturation import horner


@dataclass(frozen=True, slots=True)
class Salt:
    """A saturated salt solution.  Coefficients of RH [%] in t [°C]; uncertainty [% RH] with coverage factor 2."""

    formula: str
    name: str
    coefficients: tuple[float, ...]
    range_c: tuple[float, float]  # of the polynomial
    uncertainty_percent: float
    fixed_point_from_c: float = 0.0  # below this the salt is no fit standard, whatever the polynomial says


SALTS: Final[Mapping[str, Salt]] = {
    salt.formula: salt
    for salt in (
        Salt("LiCl", "lithium chloride", (11.2323, 0.00824245, -0.00021489), (0.0, 50.0), 0.5, fixed_point_from_c=20.0),
        Salt("MgCl2", "magnesium chloride", (33.6686, -0.00797397, -0.00108988), (0.0, 50.0), 0.3),
        Salt("K2CO3", "potassium carbonate", (43.1315, 0.00147523), (0.0, 30.0), 0.5),
        Salt("NaCl", "sodium chloride", (75.5164, 0.0398321, -0.00265459, 2.848e-05), (0.0, 50.0), 0.3),
        Salt("KCl", "potassium chloride", (88.619, -0.19334, 0.000899706), (0.0, 50.0), 0.5),
        Salt("KNO3", "potassium nitrate", (96.3361, 0.0112371, -0.00484514), (0.0, 50.0), 1.0),
        Salt("K2SO4", "potassium sulphate", (98.7792, -0.0590502), (0.0, 50.0), 1.0),
    )
}


def salt_rh_percent(formula: str, temperature_c: Number) -> Number:
    """Relative humidity [%] over a saturated solution of this salt; NaN outside the salt's range of temperatures.

    formula: a key of `SALTS`, "NaCl".  temperature_c: of the solution and the air [°C].  Raises InputError for a salt
    that is not in the table.
    """
    if formula not in SALTS:
        raise InputError(f"no salt {formula!r}", where="salt", mend=f"Known are {', '.join(SALTS)}.")
    salt = SALTS[formula]

    def kernel(t: FloatArray) -> FloatArray:
        return horner(salt.coefficients, inside(t, *salt.range_c))

    return pointwise(kernel, temperature_c)
