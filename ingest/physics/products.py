"""Wood-based products that sorb less than solid wood: plywood, particle board, fibre board, laminate.

Read from `data/product_isotherms.csv`, straight lines between the published points, nothing beyond them. The file says
where the figures come from and that they are from memory of the published table. Oriented strand board is not in it:
no published isotherm could be had.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType

import numpy as np

from ingest.errors import InputError
from ingest.physics.pointwise import FloatArray, Number, pointwise


@cache
def isotherms() -> Mapping[str, tuple[FloatArray, FloatArray]]:
    """Give each product's published points: RH [%], rising, and moisture content [%]."""
    text = files("ingest.physics").joinpath("data/product_isotherms.csv").read_text(encoding="utf-8")
    points: dict[str, list[tuple[float, float]]] = {}
    for row in csv.DictReader(line for line in text.splitlines() if not line.startswith("#")):
        points.setdefault(row["product"], []).append((float(row["rh_percent"]), float(row["emc_percent"])))
    return MappingProxyType({name: _columns(pairs) for name, pairs in points.items()})


def product_emc_percent(product: str, rh_percent: Number) -> Number:
    """Moisture content [%] of a product in equilibrium with air of this RH [%], at room temperature (about 21..27 °C).

    NaN outside the published points (30..90 % RH). Raises InputError for a product that has no published isotherm here.
    Makes and glues differ by 1 % MC and more; hysteresis is that of wood or larger.
    """
    if product not in isotherms():
        raise InputError(
            f"no isotherm of {product!r}", where="product", mend=f"There are those of {', '.join(isotherms())}."
        )
    rh, emc = isotherms()[product]

    def kernel(values: FloatArray) -> FloatArray:
        return np.asarray(np.interp(values, rh, emc, left=np.nan, right=np.nan))

    return pointwise(kernel, rh_percent)


def _columns(pairs: list[tuple[float, float]]) -> tuple[FloatArray, FloatArray]:
    rh, emc = np.array(sorted(pairs), dtype=np.float64).T
    return rh, emc
