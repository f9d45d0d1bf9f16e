"""Wood-based products that sorb otherwise than solid wood: plywood, the only one whose isotherm could be read.

Read from `data/product_isotherms.csv`, which says where the curve comes from. Particle board, oriented strand board,
MDF, hardboard and other fibre board have measured isotherms in print that were not at hand: there is none for them
here, rather than one from memory.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from ingest.errors import InputError
from ingest.physics.pointwise import FloatArray, Number, inside, pointwise


@dataclass(frozen=True, slots=True)
class Isotherm:
    """A published curve: moisture content [%] = 100 (a h^b + c h^d), h the RH as a fraction, within bounds."""

    a: float
    b: float
    c: float
    d: float
    rh_low_percent: float
    rh_high_percent: float
    source: str


@cache
def isotherms() -> Mapping[str, Isotherm]:
    """Give each product's published curve by the product's name."""
    text = files("ingest.physics").joinpath("data/product_isotherms.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return MappingProxyType({row["product"]: _isotherm(row) for row in rows})


def product_emc_percent(product: str, rh_percent: Number) -> Number:
    """Moisture content [%] of a product in equilibrium with air of this RH [%], at room temperature.

    NaN outside the curve's bounds (20..90 % RH). Raises InputError for a product that has no published isotherm here.
    Makes and glues differ by 2 % MC; hysteresis is that of wood or larger.
    """
    if product not in isotherms():
        raise InputError(
            f"no published isotherm of {product!r} is at hand",
            where="product",
            mend=f"There is one of {', '.join(isotherms())}. Of other boards their makers have figures.",
        )
    curve = isotherms()[product]

    def kernel(rh: FloatArray) -> FloatArray:
        h = 0.01 * inside(rh, curve.rh_low_percent, curve.rh_high_percent)
        return 100.0 * (curve.a * h**curve.b + curve.c * h**curve.d)

    return pointwise(kernel, rh_percent)


def _isotherm(row: Mapping[str, str]) -> Isotherm:
    a, b, c, d, low, high = (float(row[key]) for key in ("a", "b", "c", "d", "rh_low_percent", "rh_high_percent"))
    return Isotherm(a, b, c, d, low, high, row["source"])
