"""Dimensional change against the Wood Handbook's coefficients and worked examples."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from ingest.physics import movement
from ingest.physics.species import all_species, find_species, shrinkage_from_change

Table = Callable[[str], list[dict[str, str]]]


def test_the_handbooks_worked_example() -> None:
    """White fir, flat-sawn, 232 mm (9.15 in) wide, 8 to 11 % MC: 1.7 mm wider, 233.7 mm (ch. 13)."""
    floor = movement.floor_movement(
        find_species("Fir, white"), board_width_mm=232.0, run_mm=232.0, mc_from_percent=8.0, mc_to_percent=11.0
    )
    assert floor.board_change_mm == pytest.approx(1.7, abs=0.05)
    assert floor.method is movement.Method.COEFFICIENT


def test_the_shrinkage_form_of_the_same_example(table: Table) -> None:
    """Eq. 13-3 with 7.0 % shrinkage gives 1.7119 mm, close to Eq. 13-2 as the handbook says."""
    row = next(row for row in table("wood_dimensional_worked_examples") if row["id"] == "WH-13-3 form")
    change = movement.change_by_shrinkage(7.0, 8.0, 11.0) * float(row["initial"])
    assert change == pytest.approx(float(row["expected"]), abs=1e-4)


def test_a_linear_rule_of_thumb_example(table: Table) -> None:
    """A 13.25 in joist, 19 to 10 % MC, at 0.2 % per % MC: 13.01 in (a course problem; above 14 % a rule only)."""
    row = next(row for row in table("wood_dimensional_worked_examples") if row["id"].startswith("MST"))
    change = float(row["initial"]) * 0.002 * (10.0 - 19.0)
    assert change == pytest.approx(float(row["expected"]), abs=1e-4)
    assert movement.change_by_coefficient(0.002, 14.0, 10.0) * float(row["initial"]) == pytest.approx(-0.106, abs=1e-3)


def test_species_file_holds_table_13_5(table: Table) -> None:
    """All 128 species of Table 13-5 are in the species file, digit for digit, and found by their printed names."""
    rows = table("wood_dimensional_change_coefficients")
    assert {row["species"] for row in rows} == set(all_species())
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
