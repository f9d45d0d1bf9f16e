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
from ingest.physics.species import Species, all_species, find_species
from ingest.physics.wood import emc_percent

OAK = "Red oak, commercial"


CUTS = [0.0, 30.0, 45.0, 90.0]
species_and_cuts = st.tuples(st.sampled_from(sorted(all_species())).map(find_species), st.sampled_from(CUTS))
moistures = st.floats(0.0, 40.0)


@given(species_and_cuts, moistures, moistures, st.floats(0.01, 5.0))
def test_wetter_is_wider_wherever_it_begins(wood: tuple[Species, float], start: float, end: float, more: float) -> None:
    """Any wood, any cut: ending wetter is never narrower, beginning wetter never wider, and at most 2.2 % apart
    from Eq. 13-3 (Wood Handbook, ch. 13) with the species' own moisture content at which shrinking begins."""
    species, angle = wood
    here = movement.fractional_change(species, start, end, angle)[0]
    assert movement.fractional_change(species, start, end + more, angle)[0] >= here
    assert movement.fractional_change(species, start + more, end, angle)[0] <= here
    assert here * (end - start) >= 0.0
    pairs = (
        (species.change_radial, species.shrinkage_radial_percent, species.shrinks_below_radial_percent),
        (species.change_tangential, species.shrinkage_tangential_percent, species.shrinks_below_tangential_percent),
    )
    for coefficient, shrinkage, below in pairs:
        first, last = min(start, below), min(end, below)
        handbook = (last - first) / (below * 100.0 / shrinkage - below + first)
        assert movement.change_across(coefficient, below, start, end) == pytest.approx(handbook, rel=0.022, abs=1e-12)


@given(species_and_cuts, st.sampled_from([6.0, 14.0, 22.0, 30.0]), moistures)
def test_no_wood_jumps_anywhere(wood: tuple[Species, float], edge: float, other: float) -> None:
    """A hair past either end of the coefficient's range, and where shrinking begins, is a hair of change: both ways."""
    species, angle = wood
    for way in ((other, edge), (edge, other)):
        hairs = [tuple(mc + hair * (mc == edge) for mc in way) for hair in (-1e-9, 0.0, 1e-9)]
        changes = [movement.fractional_change(species, *hair, angle)[0] for hair in hairs]
        assert changes == pytest.approx([changes[1]] * 3, abs=1e-10)


def test_from_green_to_oven_dry_is_the_tables_shrinkage() -> None:
    """Every species with shrinkage read from Table 4-3 shrinks by just that from 60 % to 0 %."""
    read = [species for species in all_species().values() if species.shrinkage_read]
    assert len(read) > 60
    for species in read:
        for angle, percent in (
            (0.0, species.shrinkage_tangential_percent),
            (90.0, species.shrinkage_radial_percent),
        ):
            shrunk = movement.fractional_change(species, 60.0, 0.0, angle)[0]
            assert 100.0 * shrunk == pytest.approx(-percent, rel=1e-9), species.name


def test_where_shrinking_begins_is_the_handbooks_own_figure() -> None:
    """Western red and northern white cedar begin at 22 % (C and S of the handbook's tables), most woods at 30 %."""
    begins = {name: species.shrinks_below_tangential_percent for name, species in all_species().items()}
    assert begins["Cedar, western red"] == pytest.approx(22.0, abs=0.1)
    assert begins["Cedar, northern white"] == pytest.approx(22.0, abs=0.1)
    assert begins["White oak, live"] == pytest.approx(30.0, abs=0.3)
    assert sum(abs(at - 30.0) < 0.3 for at in begins.values()) > 0.9 * len(begins)


def test_western_red_cedar_goes_on_beyond_the_range() -> None:
    """140 mm, flat-sawn: 2.62 mm for 6 to 14 % (Table 13-5), 2.95 to 15 %, and no more from 22 % up; said by method."""
    cedar = find_species("Cedar, western red")
    moved = {end: 140.0 * movement.fractional_change(cedar, 6.0, end)[0] for end in (14.0, 15.0, 22.0, 30.0)}
    assert moved[14.0] == pytest.approx(2.62, abs=0.01)
    assert moved[15.0] == pytest.approx(2.95, abs=0.01)
    assert moved[30.0] == pytest.approx(moved[22.0], abs=0.02)
    assert movement.fractional_change(cedar, 6.0, 14.0)[1] is movement.Method.COEFFICIENT
    assert movement.fractional_change(cedar, 6.0, 15.0)[1] is movement.Method.EXTENDED
    assert math.isnan(movement.fractional_change(cedar, -1.0, 10.0)[0])


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
