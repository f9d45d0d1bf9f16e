"""Conversions: exact by definition, and back again."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import units

PAIRS: list[tuple[Callable[[float], float], Callable[[float], float]]] = [
    (units.celsius_from_fahrenheit, units.fahrenheit_from_celsius),
    (units.kelvin_from_celsius, units.celsius_from_kelvin),
    (units.grains_per_pound_from_g_kg, units.g_kg_from_grains_per_pound),
    (units.metres_from_feet, units.feet_from_metres),
    (units.millimetres_from_inches, units.inches_from_millimetres),
    (units.inches_of_mercury_from_kpa, units.kpa_from_inches_of_mercury),
]


@pytest.mark.parametrize(("there", "back"), PAIRS)
@given(value=st.floats(-1e6, 1e6))
def test_there_and_back(there: Callable[[float], float], back: Callable[[float], float], value: float) -> None:
    """Each conversion undoes its counterpart."""
    assert back(there(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


def test_fixed_points_by_definition() -> None:
    """Freezing and boiling, the foot, the inch, the grain: values by definition (1959 agreement, SI brochure)."""
    assert units.fahrenheit_from_celsius(0.0) == 32.0
    assert units.fahrenheit_from_celsius(100.0) == 212.0
    assert units.celsius_from_fahrenheit(-40.0) == -40.0
    assert units.kelvin_from_celsius(0.0) == 273.15
    assert units.metres_from_feet(1.0) == 0.3048
    assert units.millimetres_from_inches(1.0) == 25.4
    assert units.grains_per_pound_from_g_kg(1.0) == 7.0
    assert units.cubic_feet_per_pound_from_m3_kg(1.0) == pytest.approx(16.018463, rel=1e-7)  # 0.45359237 / 0.3048³


def test_compound_units_against_their_parts() -> None:
    """gr/ft3, Btu/lb, psi and inHg recomputed from pound, foot, Btu and standard gravity."""
    grains_per_gram = 7000.0 / 453.59237
    assert units.grains_per_cubic_foot_from_g_m3(1.0) == pytest.approx(grains_per_gram * 0.3048**3, rel=1e-12)
    assert units.btu_lb_from_kj_kg(2.326) == pytest.approx(1.0, rel=1e-9)
    assert pytest.approx(6.894757293, rel=1e-9) == units.KILOPASCALS_PER_PSI
    assert units.inches_of_mercury_from_kpa(101.325) == pytest.approx(29.921, abs=1e-3)


def test_arrays_keep_their_shape() -> None:
    """An array of any shape comes back in that shape."""
    values = np.arange(6.0).reshape(2, 3)
    for there, back in PAIRS:
        converted = there(values)  # type: ignore[arg-type]
        assert np.shape(converted) == (2, 3)
        np.testing.assert_allclose(back(converted), values, atol=1e-12)
