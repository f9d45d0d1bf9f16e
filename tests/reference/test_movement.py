"""Dimensional change against the Wood Handbook's coefficients and worked examples."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from ingest.physics import movement
from ingest.physics.species import (
    all_species,
    find_species,
    shrinkage_from_change,
    specific_gravity_12_from_green,
    specific_gravity_12_from_oven_dry,
)

Table = Callable[[str], list[dict[str, str]]]


def test_the_handbooks_worked_example() -> None:
    """White fir, flat-sawn, 232 mm (9.15 in) wide, 8 to 11 % MC: 1.7 mm wider, 233.7 mm (ch. 13)."""
    floor = movement.floor_movement(
        find_species("Fir, white"), board_width_mm=232.0, run_mm=232.0, mc_from_percent=8.0, mc_to_percent=11.0
    )
    assert floor.board_change_mm == pytest.approx(1.7, abs=0.05)
    assert floor.method is movement.Method.COEFFICIENT


def test_the_shrinkage_form_of_the_same_example(table: Table) -> None:
    """Eq. 13-3 with 7.0 % shrinkage gives 1.7119 mm, close to what is computed, as the handbook says of Eq. 13-2."""
    row = next(row for row in table("wood_dimensional_worked_examples") if row["id"] == "WH-13-3 form")
    change = movement.fractional_change(find_species("Fir, white"), 8.0, 11.0)[0] * float(row["initial"])
    assert change == pytest.approx(float(row["expected"]), rel=0.015)


def test_a_linear_rule_of_thumb_example(table: Table) -> None:
    """A 13.25 in joist, 19 to 10 % MC, at 0.2 % per % MC: 13.01 in (a course problem; above 14 % a rule only)."""
    row = next(row for row in table("wood_dimensional_worked_examples") if row["id"].startswith("MST"))
    change = float(row["initial"]) * 0.002 * (10.0 - 19.0)
    assert change == pytest.approx(float(row["expected"]), abs=1e-4)
    assert movement.change_across(0.002, 30.0, 14.0, 10.0) * float(row["initial"]) == pytest.approx(-0.106, abs=1e-3)


def test_species_file_holds_table_13_5(table: Table) -> None:
    """All 128 species of Table 13-5 are in the file, digit for digit; beside them only the four flooring woods."""
    rows = table("wood_dimensional_change_coefficients")
    assert {row["species"] for row in rows} | {"Jatoba", "Merbau", "Wenge", "Oak, European"} == set(all_species())
    for row in rows:
        species = find_species(row["species"])
        assert (species.change_radial, species.change_tangential) == (float(row["cr"]), float(row["ct"])), row


def test_hardwoods_read_in_the_handbook_itself(table: Table) -> None:
    """The hardwood page, read apart from that, says the same of every species it shares with it."""
    known = all_species()
    shared = [row for row in table("dimensional_change_coefficients_wood_handbook_13_5") if row["species"] in known]
    assert len(shared) > 25
    for row in shared:
        species = known[row["species"]]
        assert species.change_radial == float(row["CR_radial"])
        assert species.change_tangential == float(row["CT_tangential"])


def test_shrinkage_and_coefficients_of_one_species_belong_together(table: Table) -> None:
    """The relation between Tables 4-3 and 13-5 gives the read shrinkage within 0.1 % for nine species in ten."""
    known = all_species()
    pairs = [
        (shrinkage_from_change(known[row["species"]].change_tangential), float(row["tangential_pct"]))
        for row in table("shrinkage_wood_handbook_4_3")
        if row["species"] in known and row["tangential_pct"]
    ]
    assert len(pairs) > 25
    close = [abs(computed - read) < 0.1 for computed, read in pairs]
    assert sum(close) / len(close) > 0.85


def test_specific_gravity_is_the_handbooks(table: Table) -> None:
    """Copies of Table 5-3a made apart from ours have the same digits, but for grand fir (0.39 in one, 0.37 in two)."""
    known = all_species()
    rows = [row for row in table("wood_specific_gravity") if row["species"] in known and row["sg_12"]]
    assert len(rows) > 40
    for row in rows:
        gravity = known[row["species"]].specific_gravity_12
        assert gravity is not None
        within = 0.021 if row["species"] == "Fir, grand" else 0.0051
        assert gravity == pytest.approx(float(row["sg_12"]), abs=within), row


def test_green_specific_gravity_converts_to_what_the_handbook_prints(table: Table) -> None:
    """Where Table 5-3a has both, Eq. 4-13 takes green to 12 % within 0.03, and white ash as the worked example does."""
    rows = [row for row in table("wood_specific_gravity") if row["sg_12"] and row["sg_green"]]
    assert len(rows) > 10
    for row in rows:
        converted = specific_gravity_12_from_green(float(row["sg_green"]))
        assert converted == pytest.approx(float(row["sg_12"]), abs=0.035), row
    assert specific_gravity_12_from_green(0.55) == pytest.approx(0.605, abs=0.003)


def test_group_means_agree_with_the_design_codes_groups(table: Table) -> None:
    """The design code's groups (oven-dry volume), converted, lie within 0.03 of ours for the same trade groups."""
    rows = {
        row["species_combination"]: float(row["sg_ovendry"])
        for row in table("wood_specific_gravity_nds_oven_dry_volume")
    }
    pairs = {
        "Red Oak": "Red oak, commercial",
        "Red Maple": "Maple, red",
        "Sitka Spruce": "Spruce, Sitka",
        "Ponderosa Pine": "Pine, ponderosa",
        "Eastern White Pine": "Pine, eastern white",
        "Northern White Cedar": "Cedar, northern white",
    }
    for group, name in pairs.items():
        gravity = find_species(name).specific_gravity_12
        assert gravity == pytest.approx(specific_gravity_12_from_oven_dry(rows[group]), abs=0.035), group


def test_the_flooring_woods_agree_with_the_trades_list(table: Table) -> None:
    """Jatoba, merbau and teak move as the flooring trade's list says; wenge does not, and its row says why."""
    listed = {row["species"]: float(row["CT"]) for row in table("flooring_tangential_change_coefficients")}
    assert find_species("jatoba").change_tangential == pytest.approx(listed["Brazilian Cherry"], abs=1e-5)
    assert find_species("Wenge").change_radial == pytest.approx(listed["Wenge"], abs=5e-5)
    assert "not used" in find_species("wenge").source
    assert listed["Red Oak"] == pytest.approx(find_species("red oak").change_tangential, abs=5e-5)
