"""`lumberroom wood`: the floor layer's questions on the command line, for people and as JSON."""

from __future__ import annotations

import json
from typing import Any

import pytest
from click.testing import CliRunner, Result

from ingest.cli.main import main
from ingest.physics.wood import emc_percent


def wood(*words: str) -> Result:
    """Run `lumberroom wood` with these words."""
    return CliRunner().invoke(main, ["wood", *words])


def answer(*words: str) -> dict[str, Any]:
    """Give the JSON answer."""
    result = wood(*words, "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert isinstance(document, dict)
    assert document["cautions"]
    return document


def test_emc_here_and_in_service() -> None:
    """The two EMCs, their difference and the hysteresis band, as the physics has them."""
    said = answer("emc", "--temperature", "16C", "--humidity", "62", "--in-service", "21C", "40")
    assert said["emc_percent"] == pytest.approx(emc_percent(16.0, 62.0), abs=1e-4)
    assert said["difference_percent"] == pytest.approx(emc_percent(16.0, 62.0) - emc_percent(21.0, 40.0), abs=1e-4)
    assert said["adsorption_percent"] < said["emc_percent"] < said["desorption_percent"]


def test_emc_of_a_product_is_told_where_there_is_an_isotherm() -> None:
    """Plywood has a published curve; at 95 % RH it has no figure; a board without one is refused by name."""
    said = answer("emc", "--temperature", "20C", "--humidity", "50", "--product", "plywood")
    assert said["product_emc_percent"] == pytest.approx(100.0 * 0.218 * 0.5**1.44, abs=1e-3)
    assert any("maker" in caution for caution in said["cautions"])
    damp = answer("emc", "--temperature", "20C", "--humidity", "95", "--product", "plywood")
    assert damp["product_emc_percent"] is None
    refused = wood("emc", "--temperature", "20C", "--humidity", "50", "--product", "oriented strand board")
    assert refused.exit_code != 0
    assert "There is one of plywood" in refused.output


def test_rh_to_hold_is_the_inverse() -> None:
    """Holding the RH it says gives the moisture content that was asked for."""
    said = answer("rh", "--temperature", "68F", "--mc", "8")
    assert said["temperature_c"] == pytest.approx(20.0)
    assert emc_percent(20.0, said["rh_percent"]) == pytest.approx(8.0, abs=1e-4)


def test_movement_of_the_handbooks_example() -> None:
    """White fir, 232 mm, 8 to 11 % MC: 1.7 mm wider (Wood Handbook, ch. 13)."""
    said = answer("movement", "--species", "white fir", "--width", "232mm", "--from", "8", "--to", "11")
    assert said["board_change_mm"] == pytest.approx(1.7, abs=0.05)
    assert said["method"] == "coefficient"
    assert said["gap_per_board_mm"] == 0.0


def test_movement_of_a_floor_in_inches() -> None:
    """With --units us bare numbers are inches; the gap and the run follow; outside 6..14 % MC the formula changes."""
    words = ("movement", "--species", "teak", "--width", "5.5", "--from", "14.5", "--to", "7", "--run", "16ft")
    said = answer(*words, "--units", "us", "--cut", "quarter")
    assert said["width_mm"] == pytest.approx(139.7)
    assert said["method"] == "extended"
    assert any("published for 6 to 14 % MC" in caution and "30 %" in caution for caution in said["cautions"])
    assert said["gap_per_board_mm"] > 0.0
    assert said["run_change_mm"] / said["board_change_mm"] == pytest.approx(16 * 304.8 / 139.7, rel=1e-4)
    assert " in" in wood(*words, "--units", "us").stdout


def test_settling_gives_a_date_and_its_width() -> None:
    """Days with the fast and the slow case around them, and the caution that it is no go-ahead."""
    said = answer("settle", "--thickness", "19mm", "--from", "12", "--temperature", "20", "--humidity", "40")
    assert said["fastest_days"] < said["days"] < said["slowest_days"]
    assert any("no go-ahead" in caution for caution in said["cautions"])


def test_settling_that_never_comes() -> None:
    """A room that leads elsewhere: no date, and where it leads instead."""
    words = ("settle", "--thickness", "19", "--from", "12", "--to", "7", "--temperature", "20", "--humidity", "65")
    assert answer(*words)["days"] is None
    assert answer(*words)["final_mc_percent"] > 11.0
    assert "never in this air, which leads elsewhere" in wood(*words).stdout


def test_settling_that_takes_longer_than_was_looked() -> None:
    """A thick board shut off by a foil gets there some day: that is not called never."""
    shut = ("--one-face", "--finish", "polyethylene foil", "--specific-gravity", "0.63")
    words = ("settle", "--thickness", "60", "--from", "12", "--temperature", "20", "--humidity", "40", *shut)
    said = wood(*words).stdout
    assert "later than was looked at: after 730 days it stands at 11" in said
    assert "specific gravity                   0.63" in said


def test_extrapolation_is_said_in_the_units_asked_for() -> None:
    """Who reads in °F is told the published range in °F: the table runs from 30 to 270 °F."""
    said = " ".join(wood("emc", "--temperature", "20F", "--humidity", "60", "--units", "us").stdout.split())
    assert "5 to 95 % RH and 30 to 270 °F" in said


def test_a_finish_and_a_closed_face_slow_it() -> None:
    """A lacquered board on an impermeable underlay takes longer than a bare one in the air."""
    words = ("settle", "--thickness", "15", "--from", "12", "--temperature", "20", "--humidity", "40")
    bare = answer(*words)["days"]
    shut = answer(*words, "--finish", "polyurethane lacquer", "--one-face")["days"]
    assert bare < 60.0
    assert shut is None or shut > 2.0 * bare


def test_species_are_listed_with_their_source() -> None:
    """All of them, or those with a word in the name; each with a source."""
    assert len(answer("species")["species"]) > 100
    oaks = answer("species", "oak")["species"]
    assert 5 < len(oaks) < 20
    assert all("Wood Handbook" in one["source"] or one["confidence"] == "low" for one in oaks)
    red = answer("species", "red", "oak", "commercial")["species"][0]
    assert red["specific_gravity_12"] == 0.64
    assert red["specific_gravity_from"] == "group mean"


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (("movement", "--species", "oak", "--width", "140", "--from", "9", "--to", "6"), "Say one of"),
        (("movement", "--species", "teak", "--width", "wide", "--from", "9", "--to", "6"), "--width"),
        (("movement", "--species", "teak", "--width", "99", "--from", "9", "--to", "6", "--cut", "120"), "--cut"),
        (("rh", "--temperature", "20", "--mc", "35"), "ends at"),
        (("settle", "--thickness", "19", "--from", "45", "--temperature", "20", "--humidity", "40"), "below 30 %"),
        (("settle", "--thickness", "19", "--from", "9", "--temperature", "20", "--humidity", "140"), "--humidity"),
        (("species", "plastic"), "no species"),
    ],
)
def test_mistakes_are_told_with_their_mend(words: tuple[str, ...], hint: str) -> None:
    """Exit code 2, one sentence on standard error that helps, nothing on standard output, no traceback."""
    result = wood(*words)
    assert result.exit_code == 2
    assert hint in result.stderr
    assert not result.stdout
    assert "Traceback" not in result.stderr


def test_every_command_explains_itself() -> None:
    """Each subcommand has help with an example or an argument, and a short line in the list."""
    listing = wood("--help").stdout
    for name in ("emc", "rh", "movement", "settle", "species"):
        assert name in listing
        assert len(wood(name, "--help").stdout) > 200
    assert "..." not in listing.split("Commands:")[1]


def test_extrapolation_is_said() -> None:
    """Outside the published table the answer carries the caution."""
    assert any(
        "extrapolation" in caution for caution in answer("emc", "--temperature", "-20", "--humidity", "80")["cautions"]
    )


SETTLE = ("settle", "--from", "12", "--thickness", "20mm")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((*SETTLE, "--temperature", "-58C", "--humidity", "90"), "the EMC of wood is not known at -58 °C"),
        ((*SETTLE, "--temperature", "20C", "--humidity", "40", "--specific-gravity", "nan"), "not a number"),
        ((*SETTLE, "--temperature", "20C", "--humidity", "40", "--finish", "sealed", "--one-face"), "no moisture can"),
    ],
)
def test_what_cannot_settle_is_told_in_words(words: tuple[str, ...], said: str) -> None:
    """Air without an EMC, a weight that is no number, a board that is tight all round: a sentence, and no trace."""
    result = wood(*words)
    assert result.exit_code == 2
    assert said in result.output
    assert "lumberroom that should not have" not in result.output


def test_a_saturated_thick_board_in_the_cold_is_answered() -> None:
    """A cell at fibre saturation rounds to 30.0000000000004 % in the march: the next month goes on from 30."""
    cold = ("settle", "--from", "30", "--thickness", "300mm", "--temperature", "-15C", "--humidity", "80")
    assert answer(*cold)["final_mc_percent"] == pytest.approx(26.4, abs=0.1)


@pytest.mark.parametrize(
    ("more", "faces"),
    [
        ((), "both faces open to the air"),
        (("--one-face",), "top open to the air, underside on something tight"),
        (("--finish", "sealed"), "top sealed, underside open to the air"),
    ],
)
def test_the_faces_are_told_as_they_are(more: tuple[str, ...], faces: str) -> None:
    """What lies on each face is said, and nothing of an open one where none is."""
    assert faces in wood(*SETTLE, "--temperature", "20C", "--humidity", "40", *more).output
