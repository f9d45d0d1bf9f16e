"""The list of derived quantities, and the one pass that computes them all."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.physics.derived import DERIVED, EXTRA, derive_all

NAMES = [
    "dew_point_c",
    "vapour_pressure_kpa",
    "vpd_kpa",
    "humidity_ratio_g_kg",
    "grains_per_pound",
    "wet_bulb_c",
    "enthalpy_kj_kg",
    "absolute_humidity_g_m3",
    "emc_percent",
]


def test_names_and_order_are_the_agreed_ones() -> None:
    """Columns, series and labels all rest on these names in this order."""
    assert list(DERIVED) == NAMES
    assert all(quantity.name == name for name, quantity in DERIVED.items())
    assert all(quantity.title and quantity.unit for quantity in DERIVED.values())


@pytest.mark.parametrize("name", NAMES)
def test_the_one_pass_equals_the_single_computations(name: str) -> None:
    """`derive_all` shares work and changes no figure, for arrays with hot, cold, dry, unknown and impossible values."""
    rng = np.random.default_rng(5)
    t, rh, p = rng.uniform(-60.0, 120.0, 5000), rng.uniform(0.0, 100.0, 5000), rng.uniform(70.0, 105.0, 5000)
    t[:3], rh[3:6], p[6] = np.nan, [np.nan, -5.0, 105.0], np.nan
    together = derive_all(t, rh, p)[name]
    alone = DERIVED[name].compute(t, rh, p)
    if name in ("dew_point_c", "vapour_pressure_kpa", "vpd_kpa", "emc_percent"):
        assert not np.isnan(together[6])
    np.testing.assert_allclose(together, alone, rtol=1e-9, atol=1e-6)


def test_floats_give_zero_dimensional_arrays_and_pressure_broadcasts() -> None:
    """One reading works as well as a million, and a column of pressures gives every quantity its shape."""
    single = derive_all(20.0, 50.0, 101.325)
    assert all(value.shape == () for value in single.values())
    many = derive_all(20.0, 50.0, np.array([101.325, 84.0]))
    assert all(value.shape == (2,) for value in many.values())
    assert DERIVED["emc_percent"].compute(20.0, 50.0, 101.325) == pytest.approx(9.271, abs=1e-3)


def test_some_by_name_are_those_of_all() -> None:
    """Asking for three gives these three, in the list's order, with the same values; an unknown name is refused."""
    rng = np.random.default_rng(6)
    t, rh = rng.uniform(-20.0, 40.0, 500), rng.uniform(1.0, 100.0, 500)
    some = derive_all(t, rh, 101.325, names=("emc_percent", "dew_point_c", "grains_per_pound"))
    assert list(some) == ["dew_point_c", "grains_per_pound", "emc_percent"]
    every = derive_all(t, rh, 101.325)
    for name, values in some.items():
        np.testing.assert_array_equal(values, every[name])
    with pytest.raises(KeyError, match="dew_point_c"):
        derive_all(t, rh, 101.325, names=("dewpoint",))


def test_extra_quantities_compute_and_clash_with_none() -> None:
    """The further quantities have names of their own and give values for ordinary air."""
    assert not set(EXTRA) & set(DERIVED)
    for quantity in EXTRA.values():
        assert np.isfinite(quantity.compute(-5.0, 60.0, 101.325))
