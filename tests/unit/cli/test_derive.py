"""`lumberroom derive` on tables: what comes out, what is told, and how it behaves between real pipes."""

from __future__ import annotations

import csv
import io
import math
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

import psychrolib
import pytest
from click.testing import CliRunner

from ingest.cli.main import main
from ingest.physics.derived import DERIVED, derive_all

LUMBERROOM = str(Path(sys.executable).with_name("lumberroom"))
REFERENCE = Path(__file__).parents[2] / "reference"


class Run(NamedTuple):
    """What a run of the filter gave."""

    returncode: int
    stdout: bytes
    stderr: bytes


def derive(table: str | bytes, *options: str) -> Run:
    """Run the filter on a table, in this process (those tests that are about pipes start one)."""
    result = CliRunner().invoke(main, ["derive", *options], input=table)
    return Run(result.exit_code, result.stdout_bytes, result.stderr_bytes)


def rows_of(result: Run, delimiter: str = ",") -> list[dict[str, str]]:
    """Parse what came out."""
    return list(csv.DictReader(io.StringIO(result.stdout.decode()), delimiter=delimiter))


def test_same_rows_come_out_with_the_derived_columns_behind() -> None:
    """Original bytes stand untouched, header and rows alike, followed by every derived quantity in its order."""
    table = 'note,temperature_c , RH_Percent\n"oak, 20 mm",21.50,45\n5" board,-3.10,80.0\n'
    result = derive(table)
    assert (result.returncode, result.stderr) == (0, b"")
    header, first, second = result.stdout.decode().splitlines()
    assert header == "note,temperature_c , RH_Percent," + ",".join(DERIVED)
    assert first.startswith('"oak, 20 mm",21.50,45,')
    assert second.startswith('5" board,-3.10,80.0,')


def test_values_have_six_significant_digits_at_least() -> None:
    """Every appended figure equals the double-precision one to better than half of the sixth significant digit."""
    pairs = [(t / 7.0, rh) for t in range(-70, 350, 23) for rh in (0.37, 5.0, 33.3, 61.8, 99.9)]
    result = derive("temperature_c,rh_percent\n" + "".join(f"{t!r},{rh!r}\n" for t, rh in pairs))
    for (t, rh), row in zip(pairs, rows_of(result), strict=True):
        for name, wanted in derive_all(t, rh, 101.325).items():
            assert float(row[name]) == pytest.approx(float(wanted), rel=5.0001e-7), (name, t, rh)


@pytest.mark.parametrize(("t", "rh", "p_kpa"), [(20.0, 50.0, 101.325), (30.0, 80.0, 84.0), (12.0, 70.0, 95.0)])
def test_rows_agree_with_psychrolib(t: float, rh: float, p_kpa: float) -> None:
    """Above freezing the figures are PsychroLib's (2.5, ASHRAE 2017): it leaves out the enhancement factor (0.65 %)."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    (row,) = rows_of(derive(f"temperature_c,rh_percent,pressure_kpa\n{t},{rh},{p_kpa}\n"))
    ratio = psychrolib.GetHumRatioFromRelHum(t, rh / 100, p_kpa * 1000)
    assert float(row["dew_point_c"]) == pytest.approx(psychrolib.GetTDewPointFromRelHum(t, rh / 100), abs=0.01)
    assert float(row["wet_bulb_c"]) == pytest.approx(
        psychrolib.GetTWetBulbFromRelHum(t, rh / 100, p_kpa * 1000), abs=0.03
    )
    assert float(row["humidity_ratio_g_kg"]) == pytest.approx(ratio * 1000, rel=0.0065)
    assert float(row["grains_per_pound"]) == pytest.approx(ratio * 7000, rel=0.0065)
    assert float(row["enthalpy_kj_kg"]) == pytest.approx(psychrolib.GetMoistAirEnthalpy(t, ratio) / 1000, abs=0.4)
    assert float(row["vapour_pressure_kpa"]) == pytest.approx(
        psychrolib.GetVapPresFromRelHum(t, rh / 100) / 1000, rel=1e-3
    )


def test_emc_column_is_the_wood_handbooks_table() -> None:
    """Rows in °F give EMC as printed in Table 4-2 of the Wood Handbook (FPL-GTR-190), within 0.06 % MC."""
    with (REFERENCE / "emc_wood_handbook_table_4_2.csv").open(encoding="utf-8") as file:
        table = [
            row
            for row in csv.DictReader(line for line in file if not line.startswith("#"))
            if float(row["temp_F"]) <= 200
        ]
    assert len(table) > 100
    text = "temperature_f,rh_percent\n" + "".join(f"{row['temp_F']},{row['rh_pct']}\n" for row in table)
    for printed, row in zip(table, rows_of(derive(text)), strict=True):
        assert float(row["emc_percent"]) == pytest.approx(float(printed["emc_pct"]), abs=0.06)


def test_fahrenheit_and_elevation_columns_are_understood() -> None:
    """70 °F and 50 % are 54.5 gr/lb at sea level and 65.8 at 84 kPa (PsychroLib IP, computed; 0.6 % real gas)."""
    low, high = rows_of(derive("temperature_f;rh_percent;elevation_m\n70;50;0\n70;50;1555\n"), ";")
    assert float(low["grains_per_pound"]) == pytest.approx(54.5, rel=0.008)
    assert float(high["grains_per_pound"]) == pytest.approx(65.8, rel=0.01)


def test_us_units_append_fahrenheit_and_the_trades_units() -> None:
    """With --units us the same figures stand beside the SI ones in °F, inHg, gr/ft³ and Btu/lb."""
    (row,) = rows_of(derive("temperature_c,rh_percent\n25,60\n", "--units", "us"))
    psychrolib.SetUnitSystem(psychrolib.IP)
    ratio = psychrolib.GetHumRatioFromRelHum(77.0, 0.6, 14.696)
    enthalpy = psychrolib.GetMoistAirEnthalpy(77.0, ratio)
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert float(row["temperature_f"]) == 77.0
    for name in ("dew_point", "wet_bulb"):
        assert float(row[f"{name}_f"]) == pytest.approx(float(row[f"{name}_c"]) * 1.8 + 32, rel=1e-6)
    assert float(row["enthalpy_btu_lb"]) == pytest.approx(enthalpy, abs=0.15)
    assert float(row["vapour_pressure_inhg"]) * 3.386389 == pytest.approx(float(row["vapour_pressure_kpa"]), rel=1e-6)


def test_option_gives_the_pressure_of_every_row() -> None:
    """--elevation on a table means the same as an elevation column, and both at once are refused."""
    by_option = rows_of(derive("temperature_c,rh_percent\n21,45\n", "--elevation", "1600"))
    by_column = rows_of(derive("temperature_c,rh_percent,elevation_m\n21,45,1600\n"))
    assert by_option[0]["grains_per_pound"] == by_column[0]["grains_per_pound"]
    both = derive("temperature_c,rh_percent,elevation_m\n21,45,1600\n", "--elevation", "1600")
    assert both.returncode == 2
    assert b"Leave out" in both.stderr


def test_bad_rows_are_told_and_left_out_and_good_ones_come() -> None:
    """Each bad row is told with row, line and reason, in order; the rest comes out; the exit code is 2."""
    table = (
        "temperature_c,rh_percent\n21,45\n21,120\n,45\n21\nwarm,45\n21,45,9\n\n21,nan\n21,1_0\n-273.2,10\n22,45\n"
        '"21,5\n23,45\n'
    )
    result = derive(table)
    assert result.returncode == 2
    assert [row["temperature_c"] for row in rows_of(result)] == ["21", "22", "23"]
    assert result.stderr.decode().splitlines() == [
        "row 2 (line 3): rh_percent is 120, outside 0 to 105 %",
        "row 3 (line 4): temperature_c is empty",
        "row 4 (line 5): 1 field where the header has 2",
        'row 5 (line 6): temperature_c is "warm", which is not a number',
        "row 6 (line 7): 3 fields where the header has 2",
        'row 7 (line 9): rh_percent is "nan", which is not a number',
        'row 8 (line 10): rh_percent is "1_0", which is not a number',
        "row 9 (line 11): temperature_c is -273.2, outside -60 to 100 °C",
        "row 11 (line 13): a quotation mark is opened and never closed",
        "9 of 12 rows were bad and left out.",
    ]


def test_bad_rows_in_a_large_table_keep_their_numbers() -> None:
    """In a table of several blocks each bad row is found by its true number, and every good row comes out."""
    count, bad = 60_000, {1, 2, 777, 30_000, 59_999, 60_000}
    lines = [f"{i},{20 + i % 7}.5,{'x' if i in bad else 40 + i % 9},{'filler ' * 5}" for i in range(1, count + 1)]
    result = derive("n,temperature_c,rh_percent,note\n" + "\n".join(lines) + "\n")
    told = result.stderr.decode().splitlines()
    assert [line.split(":")[0] for line in told[:-1]] == [f"row {i} (line {i + 1})" for i in sorted(bad)]
    assert [int(row["n"]) for row in rows_of(result)] == [i for i in range(1, count + 1) if i not in bad]


def test_byte_order_mark_crlf_semicolons_and_decimal_commas() -> None:
    """What a spreadsheet in central Europe saves comes back as it can read it: CRLF, semicolons, decimal commas."""
    result = derive(b"\xef\xbb\xbfOrt;Temperature_C;rh percent\r\nM\xfcnchen;21,5;45\r\n\r\n;22,5;45,5\r\n")
    assert (result.returncode, result.stderr) == (0, b"")
    header, first, second, end = result.stdout.split(b"\r\n")
    assert header.startswith(b"\xef\xbb\xbfOrt;Temperature_C;rh percent;dew_point_c;")
    assert first.startswith(b"M\xfcnchen;21,5;45;")
    assert second.startswith(b";22,5;45,5;")
    assert end == b""
    assert b"." not in first + second
    same = derive("temperature_c\trh_percent\n21.5\t45\n")
    assert (
        first.decode("latin-1").split(";")[3:] == same.stdout.decode().splitlines()[1].replace(".", ",").split("\t")[2:]
    )


def test_decimal_comma_is_no_number_between_commas() -> None:
    """Where commas part the fields a decimal comma makes a field too many, and is told so."""
    result = derive("temperature_c,rh_percent\n21,5,45\n")
    assert result.returncode == 2
    assert b"row 1 (line 2): 3 fields where the header has 2" in result.stderr


def test_quantity_that_does_not_exist_is_an_empty_field() -> None:
    """Perfectly dry air has no dew point: the field stays empty, the row is good."""
    result = derive("temperature_c,rh_percent\n20,0\n")
    (row,) = rows_of(result)
    assert result.returncode == 0
    assert row["dew_point_c"] == ""
    assert (float(row["vapour_pressure_kpa"]), float(row["emc_percent"])) == (0.0, 0.0)
    assert math.isfinite(float(row["wet_bulb_c"]))


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (b"", "nothing came in"),
        (b"\n\n", "nothing came in"),
        (b"temp,rh_percent\n1,2\n", "found temp, rh_percent. It needs temperature_c or temperature_f, and rh_percent"),
        (b"temperature_c,humidity\n1,2\n", "found temperature_c, humidity"),
        (b"21.5,45\n", "no usable columns; found 21.5, 45"),
        (b"temperature_c,rh_percent,dew_point_c\n21,45,8\n", "already has dew_point_c"),
        (b"temperature_c,rh_percent,RH Percent\n21,45,8\n", "column rh_percent is there twice"),
        ("temperature_c,rh_percent\n21,45\n".encode("utf-16"), "UTF-16"),
        (b"temperature_c,rh_percent\r21,45\r", "carriage return alone"),
        (b"temperature_c,rh_percent\n" + b"9" * 200_000, "line 2 is longer than"),
        (os.urandom(64).replace(b"\n", b"x") * 4000, "standard input"),
    ],
    ids=[
        "empty",
        "blank",
        "no-temperature",
        "no-humidity",
        "no-header",
        "derived",
        "twice",
        "utf16",
        "cr",
        "long",
        "raw",
    ],
)
def test_input_that_is_no_table_is_refused_in_a_sentence(table: bytes, words: str) -> None:
    """What cannot be a table ends with exit code 2 and a sentence that names it, never with a traceback."""
    result = derive(table)
    assert result.returncode == 2
    assert words in result.stderr.decode()
    assert b"Traceback" not in result.stderr


def test_header_alone_gives_a_header() -> None:
    """A table without rows, even without a line end, is a table."""
    result = derive("temperature_c,rh_percent")
    assert result.returncode == 0
    assert result.stdout.decode() == "temperature_c,rh_percent," + ",".join(DERIVED) + "\n"


def test_file_argument_and_missing_file(tmp_path: Path) -> None:
    """FILE gives what standard input gives; one that is not there is named in a sentence."""
    table = tmp_path / "readings.csv"
    table.write_text("temperature_c,rh_percent\n21,45")
    assert derive("", str(table)).stdout == derive("temperature_c,rh_percent\n21,45").stdout
    missing = derive("", str(tmp_path / "nothing.csv"))
    assert missing.returncode == 2
    assert b"nothing.csv: cannot be read (No such file or directory)" in missing.stderr


def test_row_typed_into_a_live_pipe_comes_out_at_once() -> None:
    """While the pipe stays open, the header and each row come out before the next one is written."""
    with subprocess.Popen([LUMBERROOM, "derive"], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for line in (b"temperature_c,rh_percent\n", b"21,45\n", b"22,46\n"):
            process.stdin.write(line)
            process.stdin.flush()
            assert select.select([process.stdout], [], [], 20)[0], "nothing came out"
            assert os.read(process.stdout.fileno(), 65536).startswith(line.rstrip() + b",")
        process.stdin.close()
        assert process.wait(timeout=20) == 0


def test_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    """`| head -1` ends the filter quietly, as any filter."""
    table = tmp_path / "readings.csv"
    table.write_text("temperature_c,rh_percent\n" + "21,45\n" * 200_000)
    with (
        subprocess.Popen([LUMBERROOM, "derive", table], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process,
        subprocess.Popen(["head", "-1"], stdin=process.stdout, stdout=subprocess.PIPE) as head,
    ):
        assert process.stdout is not None
        process.stdout.close()
        out, _ = head.communicate(timeout=30)
        _, errors = process.communicate(timeout=30)
    assert out.startswith(b"temperature_c,rh_percent,dew_point_c")
    assert errors == b""
    assert process.returncode == 0


def test_memory_stays_bounded_on_an_endless_pipe() -> None:
    """After 40 MB of table the filter holds no more than after 4 MB, give or take what the allocator keeps."""
    rows = b"21.5,45.25,some note\n" * 50_000
    with subprocess.Popen([LUMBERROOM, "derive"], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL) as process:
        assert process.stdin is not None
        process.stdin.write(b"temperature_c,rh_percent,note\n")
        sizes = []
        for repeat in range(40):
            process.stdin.write(rows)
            process.stdin.flush()
            if repeat in (9, 39):
                time.sleep(0.2)
                status = Path(f"/proc/{process.pid}/status").read_text()
                sizes.append(int(status.split("VmHWM:")[1].split()[0]))
        process.send_signal(signal.SIGTERM)
        process.stdin.close()
    assert sizes[1] - sizes[0] < 30_000  # kB
