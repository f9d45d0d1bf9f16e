"""Movement, species, surfaces, salts, products: what must hold, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import InputError
from ingest.physics import air, movement, surface
from ingest.physics.products import product_emc_percent
from ingest.physics.salts import salt_rh_percent
from ingest.physics.species import all_species, find_species
from ingest.physics.wood import emc_percent

OAK = "Red oak, commercial"


@given(st.floats(0.0, 30.0), st.floats(0.0, 30.0))
def test_shrinkage_form_comes_back(start: float, end: float) -> None:
    """To another moisture content and back is no change: (1 + there)(1 + back) = 1."""
    there = movement.change_by_shrinkage(9.0, start, end)
    back = movement.change_by_shrinkage(9.0, end, start)
    assert (1.0 + there) * (1.0 + back) == pytest.approx(1.0, rel=1e-12)


@given(st.floats(6.0, 14.0), st.floats(6.0, 14.0))
def test_the_two_formulas_agree_where_both_hold(start: float, end: float) -> None:
    """Inside 6..14 % MC coefficient and shrinkage form differ by less than 5 % of the change."""
    oak = find_species(OAK)
    by_coefficient = movement.change_by_coefficient(oak.change_tangential, start, end)
    by_shrinkage = movement.change_by_shrinkage(oak.shrinkage_tangential_percent, start, end)
    assert by_shrinkage == pytest.approx(by_coefficient, rel=0.05, abs=1e-9)


def test_outside_its_range_the_coefficient_is_not_used() -> None:
    """From 6..14 % MC Eq. 13-2, beyond Eq. 13-3, and each says so; the bare coefficient form gives NaN there."""
    oak = find_species(OAK)
    assert movement.fractional_change(oak, 7.0, 10.0)[1] is movement.Method.COEFFICIENT
    assert movement.fractional_change(oak, 7.0, 16.0)[1] is movement.Method.BOTH
    assert movement.fractional_change(oak, 15.0, 16.0)[1] is movement.Method.SHRINKAGE
    assert math.isnan(movement.change_by_coefficient(oak.change_tangential, 7.0, 16.0))


def test_nothing_moves_above_fibre_saturation() -> None:
    """From 30 to 60 % MC there is free water but no swelling."""
    assert movement.change_by_shrinkage(9.0, 30.0, 60.0) == 0.0
    assert math.isnan(movement.change_by_shrinkage(9.0, -1.0, 10.0))


def test_ring_angle_turns_from_tangential_to_radial() -> None:
    """Flat-sawn is tangential, quarter-sawn radial, 45° their mean; beyond 90° there is no angle."""
    assert movement.across(0.001, 0.003, 0.0) == pytest.approx(0.003)
    assert movement.across(0.001, 0.003, 90.0) == pytest.approx(0.001)
    assert movement.across(0.001, 0.003, 45.0) == pytest.approx(0.002)
    assert math.isnan(float(movement.across(0.001, 0.003, 120.0)))


def test_a_floor_gaps_when_it_dries_and_asks_for_room_when_it_wets() -> None:
    """Gaps per board in drying, none in wetting; expansion space the other way round."""
    oak = find_species(OAK)
    dry = movement.floor_movement(oak, board_width_mm=140.0, run_mm=5000.0, mc_from_percent=9.0, mc_to_percent=6.0)
    assert dry.gap_per_board_mm == pytest.approx(140.0 * 0.00369 * 3.0)
    assert dry.run_change_mm == pytest.approx(-5000.0 * 0.00369 * 3.0)
    wet = movement.floor_movement(oak, board_width_mm=140.0, run_mm=5000.0, mc_from_percent=6.0, mc_to_percent=9.0)
    assert wet.gap_per_board_mm == 0.0
    assert movement.expansion_space_mm(oak, run_mm=5000.0, mc_laid_percent=9.0, mc_wettest_percent=12.0) > 50.0
    assert movement.expansion_space_mm(oak, run_mm=5000.0, mc_laid_percent=9.0, mc_wettest_percent=7.0) == 0.0


def test_cup_follows_the_wetter_face() -> None:
    """Underside wetter: edges up; top wetter: crown; equal: flat; twice as wide: four times as deep."""
    cup = movement.cup_mm(120.0, 20.0, 0.0037, 7.0, 10.0)
    assert cup == pytest.approx(120.0**2 * 0.0037 * 3.0 / (8.0 * 20.0))
    assert movement.cup_mm(120.0, 20.0, 0.0037, 10.0, 7.0) == pytest.approx(-cup)
    assert movement.cup_mm(120.0, 20.0, 0.0037, 8.0, 8.0) == 0.0
    assert movement.cup_mm(240.0, 20.0, 0.0037, 7.0, 10.0) == pytest.approx(4.0 * cup)


def test_every_species_is_sane_and_names_its_source() -> None:
    """Tangential above radial, shrinkage of some per cent, a source in every row."""
    for species in all_species().values():
        assert 0.0005 < species.change_radial < species.change_tangential * 1.05 < 0.006, species.name
        assert 1.0 < species.shrinkage_radial_percent < 15.0
        assert species.source
        assert species.confidence in ("high", "medium", "low")
        known_from = ("12", "green", "density", "group mean")
        assert species.specific_gravity_from in (known_from if species.specific_gravity_12 else ("",))
        assert species.specific_gravity_12 is None or 0.2 < species.specific_gravity_12 < 1.2


def test_species_are_found_by_any_order_of_words_and_refused_with_help() -> None:
    """Word order and case do not matter; an unknown or ambiguous name lists what is near."""
    assert find_species("commercial red oak").name == OAK
    assert find_species("TEAK").name == "Teak"
    with pytest.raises(InputError, match="Say one of"):
        find_species("oak")
    with pytest.raises(InputError, match="no species"):
        find_species("plastic")
    with pytest.raises(InputError, match="Did you mean Maple, sugar"):
        find_species("sugar mapel")


def test_species_answer_to_the_names_of_the_trade() -> None:
    """ "Red oak" is the handbook's mixture of commerce, "hard maple" its sugar maple (common practice, no source)."""
    assert find_species("red oak").name == OAK
    assert find_species("White Oak").name == "White oak, commercial"
    assert find_species("hard  maple").name == "Maple, sugar"
    assert find_species("European oak").name == "Oak, European"
    assert find_species("brazilian cherry").name == "Jatoba"
    for name in all_species():
        assert find_species(name).name == name


def test_condensation_margin_and_surface_rh() -> None:
    """20 °C and 70 %: dew point 14.4 °C, coat from 17.4 °C up (a German paint trade table prints both)."""
    margin = surface.condensation_margin_c(20.0, 70.0, 17.4)
    assert margin == pytest.approx(surface.COATING_MARGIN_C, abs=0.05)
    assert surface.surface_rh_percent(20.0, 50.0, 20.0) == pytest.approx(50.0)
    assert surface.surface_rh_percent(20.0, 50.0, 5.0) == 100.0
    assert surface.surface_rh_percent(20.0, 50.0, 12.6) == pytest.approx(80.0, abs=0.5)


def test_surface_temperature_of_a_worked_example() -> None:
    """Rsi 0.13, R 2.50, 20 °C in, 0 °C out: fRsi 0.948 and 18.96 °C (psychro_worked_examples.csv)."""
    assert surface.surface_temperature_c(20.0, 0.0, 1.0 - 0.13 / 2.50) == pytest.approx(18.96, abs=0.01)
    assert math.isnan(surface.surface_temperature_c(20.0, 0.0, 1.2))


def test_frost_margin_is_known_only_below_freezing() -> None:
    """Air with a dew point above zero has no frost point, so no frost margin; cold air has one."""
    assert math.isnan(surface.frost_margin_c(20.0, 50.0, -5.0))
    assert surface.frost_margin_c(-5.0, 60.0, -5.0) == pytest.approx(-5.0 - air.frost_point_c(-5.0, 60.0))


def test_plywood_sorbs_about_as_wood_and_there_is_nothing_where_nothing_was_read() -> None:
    """Plywood stays within 3 % MC of solid wood from 30 to 85 %; outside 20..90 % and for other boards: no value."""
    rh = np.linspace(30.0, 85.0, 12)
    assert np.abs(product_emc_percent("plywood", rh) - emc_percent(23.0, rh)).max() < 3.0
    values = product_emc_percent("plywood", np.array([50.0, 19.9, 90.1, np.nan]))
    assert values[0] == pytest.approx(100.0 * 0.218 * 0.5**1.44, abs=1e-5)
    assert np.isnan(values[1:]).all()
    with pytest.raises(InputError, match="There is one of plywood"):
        product_emc_percent("oriented strand board", 50.0)


def test_salts_refuse_what_they_do_not_know() -> None:
    """An unknown salt is named with the known ones; a temperature outside its range gives no value."""
    with pytest.raises(InputError, match="NaCl"):
        salt_rh_percent("sugar", 20.0)
    assert math.isnan(salt_rh_percent("NaCl", 80.0))
    assert salt_rh_percent("NaCl", np.array([20.0, 25.0])).shape == (2,)


CUTS = [0.0, 45.0, 90.0]


@pytest.mark.parametrize("angle", CUTS)
def test_no_species_jumps_at_the_ends_of_the_coefficients_range(angle: float) -> None:
    """Every species: a hair past 6 and 14 % MC a board is as wide as a hair before, and wider further on."""
    for name in all_species():
        species = find_species(name)
        for start, steps in ((6.0, np.arange(6.5, 30.1, 0.5)), (14.0, np.arange(13.5, -0.1, -0.5))):
            widths = [1.0 + movement.fractional_change(species, start, float(end), angle)[0] for end in steps]
            moved = np.diff([1.0, *widths]) * (1.0 if start == 6.0 else -1.0)
            assert (moved > 0.0).all(), name
        for edge, beyond in ((14.0, 14.001), (6.0, 5.999)):
            start = 20.0 - edge  # the other end of the range
            there, past = (movement.fractional_change(species, start, end, angle)[0] for end in (edge, beyond))
            assert past == pytest.approx(there, abs=2e-5), (name, edge)


def test_a_way_beyond_the_range_is_longer_than_the_part_inside() -> None:
    """Western red cedar, 140 mm, flat-sawn: 2.62 mm for 6 to 14 % by the handbook's coefficient, more for 6 to 15 %."""
    cedar = find_species("Cedar, western red")
    inside, past = (140.0 * movement.fractional_change(cedar, 6.0, end)[0] for end in (14.0, 15.0))
    assert inside == pytest.approx(2.62, abs=0.01)
    assert past > inside
    assert movement.fractional_change(cedar, 6.0, 15.0)[1] is movement.Method.BOTH
