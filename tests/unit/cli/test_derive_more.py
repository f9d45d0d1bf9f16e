"""`lumberroom derive` with further columns: frost point and its like, uncertainty, the mould index of a history."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from click.testing import CliRunner, Result

from ingest.cli.main import main
from ingest.physics import mould
from ingest.physics.derived import DERIVED, EXTRA

REFERENCE = Path(__file__).parents[2] / "reference"
SENSOR = ("--accuracy-temperature", "0.3", "--accuracy-humidity", "2")
START = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)


def derive(table: str, *options: str) -> Result:
    """Run the filter on a table."""
    return CliRunner().invoke(main, ["derive", *options], input=table)


def rows_of(result: Result) -> list[dict[str, str]]:
    """Parse what came out."""
    return list(csv.DictReader(io.StringIO(result.stdout)))


def reference(name: str) -> list[dict[str, str]]:
    """Read a check table; its source stands in its header."""
    lines = (REFERENCE / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def hourly(t: float, rh: float, hours: Sequence[int]) -> str:
    """Give a table of rows at these hours, all with one climate."""
    rows = "".join(f"{(START + dt.timedelta(hours=h)).isoformat()},{t},{rh}\n" for h in hours)
    return "time,temperature_c,rh_percent\n" + rows


def test_usual_columns_stay_as_they_are_without_options() -> None:
    """Who asks for nothing more gets the nine columns and nothing else."""
    assert list(rows_of(derive("temperature_c,rh_percent\n-5,60\n"))[0])[2:] == list(DERIVED)


def test_frost_point_column_is_the_tabled_one_over_ice() -> None:
    """Each air below freezing gets psychrolib's frost point (dew_point_over_water_vs_ice.csv) within 0.01 °C.

    psychrolib takes RH over ice below 0 °C, so only rows at 0 °C and above can be compared as they stand.
    """
    table = [row for row in reference("dew_point_over_water_vs_ice") if float(row["T_C"]) >= 0]
    text = "temperature_c,rh_percent\n" + "".join(f"{row['T_C']},{row['rh_pct']}\n" for row in table)
    checked = 0
    for wanted, row in zip(table, rows_of(derive(text, "--add", "frost_point_c")), strict=True):
        frost = float(wanted["td_psy"])
        if frost < -0.05:
            assert float(row["frost_point_c"]) == pytest.approx(frost, abs=0.01)
            assert float(row["dew_point_c"]) < float(row["frost_point_c"])
            checked += 1
        elif frost > 0.05:
            assert row["frost_point_c"] == ""
    assert checked > 5


def test_all_further_quantities_in_both_systems() -> None:
    """--add all appends every one of them, in °F and ft³/lb too with --units us (psychrolib's IP moist air volume)."""
    (row,) = rows_of(derive("temperature_c,rh_percent\n25,60\n", "--add", "all", "--units", "us"))
    assert set(EXTRA) <= set(row)
    psychrolib.SetUnitSystem(psychrolib.IP)
    volume = psychrolib.GetMoistAirVolume(77.0, psychrolib.GetHumRatioFromRelHum(77.0, 0.6, 14.696), 14.696)
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert float(row["specific_volume_ft3_lb"]) == pytest.approx(volume, rel=3e-4)
    (cold,) = rows_of(derive("temperature_c,rh_percent\n-5,60\n", "--add", "frost_point_c", "--units", "us"))
    assert float(cold["frost_point_f"]) == pytest.approx(float(cold["frost_point_c"]) * 1.8 + 32, rel=1e-6)


@pytest.mark.parametrize(("t", "rh"), [(20.0, 50.0), (5.0, 85.0), (28.0, 30.0)])
def test_uncertainty_columns_are_what_psychrolibs_slopes_give(t: float, rh: float) -> None:
    """GUM Eq. 10 with psychrolib's dew point and grains differentiated numerically, ± limits divided by √3: 1 %."""
    psychrolib.SetUnitSystem(psychrolib.SI)

    def grains(t: float, rh: float) -> float:
        return 7000.0 * float(psychrolib.GetHumRatioFromRelHum(t, rh / 100, 101325.0))

    def dew(t: float, rh: float) -> float:
        return float(psychrolib.GetTDewPointFromRelHum(t, rh / 100))

    (row,) = rows_of(derive(f"temperature_c,rh_percent\n{t},{rh}\n", *SENSOR))
    for name, function in (("dew_point_{}_c", dew), ("grains_per_pound_{}", grains)):
        wanted = _gum(function, t, rh, 0.3 / math.sqrt(3), 2 / math.sqrt(3))
        assert float(row[name.format("standard_uncertainty")]) == pytest.approx(wanted, rel=0.01)
        assert float(row[name.format("expanded_uncertainty_k2")]) == pytest.approx(2 * wanted, rel=0.01)


def _gum(f: Callable[[float, float], float], t: float, rh: float, u_t: float, u_rh: float) -> float:
    by_t, by_rh = (f(t + 0.05, rh) - f(t - 0.05, rh)) / 0.1, (f(t, rh + 0.5) - f(t, rh - 0.5)) / 1.0
    return math.hypot(by_t * u_t, by_rh * u_rh)


def test_emc_uncertainty_column_is_what_the_handbooks_table_spans() -> None:
    """At 70 °F from 45 to 55 % RH Table 4-2 (FPL-GTR-190) goes from 8.5 to 10.1 % MC: 0.16 per % RH, as printed."""
    (row,) = rows_of(derive("temperature_f,rh_percent\n70,50\n", "--accuracy-temperature", "0", *SENSOR[2:]))
    assert float(row["emc_standard_uncertainty_percent"]) == pytest.approx(0.16 * 2 / math.sqrt(3), abs=0.012)


def test_what_the_accuracy_means_and_its_units() -> None:
    """±0.54 °F is ±0.3 °C; an expanded uncertainty is halved, limits are divided by √3; °F columns stand beside."""
    table, name = "temperature_c,rh_percent\n20,50\n", "dew_point_standard_uncertainty_c"
    (limits,) = rows_of(derive(table, "--accuracy-temperature", "±0.54F", *SENSOR[2:], "--units", "us"))
    (k2,) = rows_of(derive(table, *SENSOR, "--accuracy-means", "k2"))
    assert float(limits[name]) == pytest.approx(float(k2[name]) * 2 / math.sqrt(3), rel=1e-5)
    assert float(limits["dew_point_standard_uncertainty_f"]) == pytest.approx(float(limits[name]) * 1.8, rel=1e-5)


def test_mould_column_is_the_published_models_course() -> None:
    """Hourly rows in constant climates give the index of vtt_mould_index_constant_climate.csv within 0.01."""
    for row in reference("vtt_mould_index_constant_climate")[::5]:
        table = hourly(float(row["T_C"]), float(row["rh_pct"]), range(84 * 24))
        result = derive(table, "--mould", "very-sensitive")
        found = rows_of(result)
        for days in (7, 28, 84):
            assert float(found[days * 24 - 1]["mould_index"]) == pytest.approx(float(row[f"M_{days}d"]), abs=0.01)
        assert float(found[0]["mould_critical_rh_percent"]) == pytest.approx(float(row["rhcrit_pct"]), abs=0.005)
        assert {one["mould_coverage_percent"] for one in found} == {"100.0000"}
        assert "proves neither growth nor its absence" in result.stderr


def test_mould_column_goes_on_from_block_to_block() -> None:
    """A history longer than a block of the filter has the index of the whole, class and decline factor counted."""
    rng = np.random.default_rng(5)
    count = 12_000
    t, rh = np.round(rng.uniform(5.0, 30.0, count), 2), np.round(rng.uniform(60.0, 100.0, count), 2)
    times = np.datetime64("2020-01-01T00:00", "m") + 60 * np.arange(count)
    note = "x" * 40
    lines = (f"{at},{a},{b},{note}\n" for at, a, b in zip(times, t.tolist(), rh.tolist(), strict=True))
    result = derive(
        "time,temperature_c,rh_percent,note\n" + "".join(lines), "--mould", "sensitive", "--mould-decline", "0.5"
    )
    wanted = mould.mould_index(t, rh, sensitivity=mould.SENSITIVE, decline_factor=0.5)
    found = np.array([float(row["mould_index"]) for row in rows_of(result)])
    assert wanted.max() > 0.3
    np.testing.assert_allclose(found, wanted, rtol=1e-5, atol=1e-9)


def test_mould_index_stands_still_through_a_gap_and_says_so() -> None:
    """A day without rows changes nothing; the coverage falls, and standard error tells how much was judged."""
    result = derive(hourly(20.0, 97.0, [*range(24), *range(48, 72)]), "--mould", "very-sensitive")
    found = rows_of(result)
    whole = rows_of(derive(hourly(20.0, 97.0, range(48)), "--mould", "very-sensitive"))
    assert [row["mould_index"] for row in found] == [row["mould_index"] for row in whole]
    assert float(found[-1]["mould_coverage_percent"]) == pytest.approx(100 * 48 / 72)
    assert "48 of 72 hours were judged; 1 gap of more than 3 h" in result.stderr


def test_irregular_rows_count_for_the_time_since_the_row_before() -> None:
    """Rows at uneven minutes give the index of the same hours taken regularly; a longer gap may be allowed."""
    minutes = np.cumsum([60, 10, 50, 7, 53, 120, 30, 90, 60] * 12) - 60
    rows = "".join(f"{(START + dt.timedelta(minutes=int(m))).isoformat()},20,97\n" for m in minutes)
    uneven = rows_of(derive("time,temperature_c,rh_percent\n" + rows, "--mould", "very-sensitive"))
    regular = rows_of(derive(hourly(20.0, 97.0, range(int(minutes[-1]) // 60 + 1)), "--mould", "very-sensitive"))
    assert float(uneven[-1]["mould_index"]) == pytest.approx(float(regular[-1]["mould_index"]), rel=1e-5)
    six_hourly = hourly(20.0, 97.0, range(0, 48, 6))
    assert float(rows_of(derive(six_hourly, "--mould", "sensitive"))[-1]["mould_coverage_percent"]) < 20
    wide = rows_of(derive(six_hourly, "--mould", "sensitive", "--mould-gap", "6h"))
    assert wide[-1]["mould_coverage_percent"] == "100.0000"


def test_each_sensor_has_an_index_of_its_own() -> None:
    """Rows of a damp and a dry sensor, mixed, give what each gives alone; milliseconds are times as well."""
    ms = [1_770_000_000_000 + 3_600_000 * i for i in range(100)]
    mixed = "".join(f"{at},wet,20,97\n{at},dry,20,50\n" for at in ms)
    found = rows_of(derive("time,sensor,temperature_c,rh_percent\n" + mixed, "--mould", "very-sensitive"))
    alone = rows_of(derive(hourly(20.0, 97.0, range(100)), "--mould", "very-sensitive"))
    assert [row["mould_index"] for row in found if row["sensor"] == "wet"] == [row["mould_index"] for row in alone]
    assert {float(row["mould_index"]) for row in found if row["sensor"] == "dry"} == {0.0}


def test_rows_whose_time_will_not_do_are_bad_rows() -> None:
    """No time, none that can be read, one twice or backwards: told with row and line among the other bad rows."""
    table = (
        "time,temperature_c,rh_percent\n2026-01-01T00:00Z,20,90\n,20,90\nnoon,20,90\n2026-01-01T01:00Z,20,190\n"
        "2026-01-01T00:00Z,20,90\n2026-01-01 02:00,20,90\n"
    )
    result = derive(table, "--mould", "resistant")
    assert result.exit_code == 2
    assert [row["time"] for row in rows_of(result)] == ["2026-01-01T00:00Z", "2026-01-01 02:00"]
    assert result.stderr.splitlines()[:5] == [
        "row 2 (line 3): time is empty",
        'row 3 (line 4): time is "noon", which is no date and time (2026-01-31T14:30Z)',
        "row 4 (line 5): rh_percent is 190, outside 0 to 105 %",
        "row 5 (line 6): time is not after that of the row before",
        "4 of 6 rows were bad and left out.",
    ]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--add", "frost"), "--add: 'frost' is not one of them. Give frost_point_c"),
        (SENSOR[:2], "--accuracy-humidity: the other accuracy needs it"),
        (SENSOR[2:], "--accuracy-temperature: the other accuracy needs it"),
        ((*SENSOR[:3], "-2"), "--accuracy-humidity: -2 is outside 0 to 50 %"),
        (("--mould", "sensitive"), "no column time; found temperature_c, rh_percent. The mould index needs one"),
        (("--mould", "sensitive", "--mould-gap", "2d"), "--mould-gap: 'd' is not a unit for it. Give it as 3h."),
        (("--mould", "oak"), "'oak' is not one of"),
        (("--mould", "sensitive", "--mould-decline", "2"), "--mould-decline"),
    ],
)
def test_options_that_cannot_be_are_refused_with_a_mend(options: tuple[str, ...], words: str) -> None:
    """A mistake in a further option ends with exit code 2 and a sentence that says how to mend it."""
    result = derive("temperature_c,rh_percent\n20,50\n", *options)
    assert result.exit_code == 2
    assert words in result.stderr


def test_added_columns_that_are_there_already_are_refused() -> None:
    """A table that has a frost point gets no second one."""
    result = derive("temperature_c,rh_percent,frost_point_c\n-5,50,-14\n", "--add", "all")
    assert result.exit_code == 2
    assert "already has frost_point_c" in result.stderr


def test_single_point_tells_them_too() -> None:
    """In print and in JSON: frost point, ± with its coverage factor, weeks to mould, and a caution for each."""
    options = ("--temperature", "20", "--humidity", "97", *SENSOR, "--add", "all", "--mould", "very-sensitive")
    printed = " ".join(derive("", *options).stdout.split())
    found = json.loads(derive("", *options, "--json").stdout)
    assert "Dew point 19.5 °C ± 0.5 (k = 2)" in printed  # √(0.17² + (2/√3 · 0.166)²) · 2
    assert "Mould on a very sensitive surface (pine sapwood) grows from 80.0 % RH" in printed
    assert "where it hangs" in printed
    assert "They prove neither growth nor its absence" in printed
    assert found["frost_point_c"] is None
    # In constant air resawn pine reaches index 1 after t_m (Hukka and Viitanen 1999); at M < 1 the limit hardly counts.
    assert found["mould_weeks_to_index_1"] == pytest.approx(mould.weeks_to_first_growth(20.0, 97.0), rel=0.01)
    assert found["mould_weeks_to_index_3"] > found["mould_weeks_to_index_1"]
    dry = json.loads(derive("", "--temperature", "20", "--humidity", "40", "--mould", "resistant", "--json").stdout)
    assert dry["mould_weeks_to_index_1"] is None


def test_low_humidity_is_said_to_be_beyond_first_order() -> None:
    """At 3 % RH a sensor of ±2 % leaves a lopsided spread, and the answer says so; at 50 % it does not."""
    dry, usual = (derive("", "--temperature", "20", "--humidity", rh, *SENSOR).stdout for rh in ("3", "50"))
    assert "tells its order and no more" in " ".join(dry.split())
    assert "tells its order" not in usual


def test_single_point_in_us_units_prints_differences_as_such() -> None:
    """±0.9 °F around a dew point is no 33 °F: a difference is scaled and not shifted."""
    sensor = ("--accuracy-temperature", "0.3C", *SENSOR[2:])
    printed = derive("", "--temperature", "70F", "--humidity", "50", *sensor, "--units", "us", "--add", "all").stdout
    assert "Dew point                          50.5 °F ± 1.4 (k = 2)" in printed
    assert "ft³/lb" in printed
    assert "m³/kg" not in printed


def test_a_sensor_in_saturated_air_is_taken_at_its_word() -> None:
    """Rows of 101 % are rows of 100 %, counted: the mould index is theirs; 106 % is refused with its row."""
    days = [START + dt.timedelta(hours=hour) for hour in range(480)]
    tables = {
        rh: "time,temperature_c,rh_percent\n" + "".join(f"{at.isoformat()},20,{rh}\n" for at in days)
        for rh in (100, 101, 106)
    }
    full, over, absurd = (derive(tables[rh], "--mould", "very-sensitive") for rh in (100, 101, 106))
    assert [row["mould_index"] for row in rows_of(over)] == [row["mould_index"] for row in rows_of(full)]
    assert float(rows_of(over)[-1]["mould_index"]) > 3.0
    assert "480 rows have more than 100 % RH" in over.stderr
    assert rows_of(absurd) == []
    assert "outside 0 to 105 %" in absurd.stderr


def test_a_column_in_another_unit_is_said() -> None:
    """Fahrenheit under a Celsius name and humidity as a share pass with a caution; ordinary figures without."""
    said = derive("temperature_c,rh_percent\n70,0.5\n71,0.45\n").stderr
    assert "if that is °F, call the column temperature_f" in said
    assert "if these are shares of 1, multiply them by 100" in said
    assert derive("temperature_c,rh_percent\n21,50\n20.5,0.9\n").stderr == ""


def test_inches_of_mercury_are_not_taken_as_kilopascals() -> None:
    """30.1 for a barometer's reading is asked about; with its unit, or as a mountain's pressure, it is taken."""
    point = ("--temperature", "70F", "--humidity", "50")
    refused = CliRunner().invoke(main, ["derive", *point, "--pressure", "30.1"])
    assert refused.exit_code == 2
    assert "Write 30.1inHg, or 30.1kPa" in refused.stderr
    for pressure in ("30.1inHg", "30.1kPa", "101.3"):
        assert CliRunner().invoke(main, ["derive", *point, "--pressure", pressure]).exit_code == 0
