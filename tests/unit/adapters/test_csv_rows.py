"""Recorded readings in CSV become readings; what is wrong is told with its row."""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import QUANTITIES, SENSOR_ID, ProtocolError, Reading, SettingsError, Stamp, Why
from adapters.framing.columns import COLUMNS
from adapters.framing.csv_rows import CsvForm, Row, read_rows, text_of
from adapters.framing.times import checked_time_format, zone_named

PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no failure

LOFT = CsvForm(sensor="loft")


def rows(text: str, form: CsvForm = LOFT) -> list[Row]:
    """Read a whole text."""
    return list(read_rows(io.StringIO(text, newline=""), form))


def readings(text: str, form: CsvForm = LOFT) -> list[Reading]:
    """Read a whole text and give the readings alone."""
    return [reading for row in rows(text, form) for reading in row.readings]


def why(text: str, form: CsvForm = LOFT) -> list[tuple[str, str]]:
    """Give reason and detail of every rejection."""
    return [(rejected.reason, rejected.detail) for row in rows(text, form) for rejected in row.rejections]


def test_a_plain_file_needs_no_form() -> None:
    """Our own names, a sensor per row, a time with its offset: nothing has to be said about such a file."""
    text = "time,sensor,temperature_c,rh_percent\n2026-01-02T03:04:05.678+01:00,cellar,12.5,77\n"
    at_ms = 1767319445678  # 2026-01-02T02:04:05.678Z
    assert readings(text, CsvForm()) == [
        Reading("cellar", "temperature_c", 12.5, at_ms, Stamp.SENSOR),
        Reading("cellar", "rh_percent", 77.0, at_ms, Stamp.SENSOR),
    ]


def test_a_column_map_and_an_offset_read_somebody_elses_file() -> None:
    """Foreign column names, a fixed sensor and a fixed offset from UTC are told by the form."""
    columns = {"t_UTC+2": "time", "T": "temperature_c", "RH": "rh_percent"}
    text = "t_UTC+2,T,RH,remark\n2020-12-18 15:15:00,17.43,36.87,first\n"
    found = readings(text, CsvForm(columns=columns, sensor="room", zone=zone_named("+02:00")))
    at_ms = int(dt.datetime(2020, 12, 18, 13, 15, tzinfo=dt.UTC).timestamp() * 1000)
    assert [(r.quantity, r.value, r.at_ms) for r in found] == [
        ("temperature_c", 17.43, at_ms),
        ("rh_percent", 36.87, at_ms),
    ]


@pytest.mark.parametrize(
    ("column", "cell", "quantity", "value"),
    [
        ("temperature_f", "68", "temperature_c", 20.0),
        ("slab_temperature_f", "32", "slab_temperature_c", 0.0),
        ("pressure_hpa", "1013.25", "pressure_kpa", 101.325),
        ("pressure_inhg", "29.92", "pressure_kpa", 101.32),
        ("wood_mc_percent", "1.2e1", "wood_mc_percent", 12.0),
        ("battery_percent", "+9.", "battery_percent", 9.0),
    ],
)
def test_other_units_are_brought_to_ours(column: str, cell: str, quantity: str, value: float) -> None:
    """A column in another unit is converted (definitions: ingest.units)."""
    (reading,) = readings(f"at_ms,{column}\n1764064800123,{cell}\n")
    assert (reading.quantity, reading.at_ms) == (quantity, 1764064800123)
    assert reading.value == pytest.approx(value, abs=0.005)


def test_gaps_stay_gaps() -> None:
    """An empty cell, NaN and their like are no value and no mistake; a short row is one with empty cells."""
    text = "time,temperature_c,rh_percent\n2026-01-01T00:00Z,,NaN\n\n2026-01-01T00:10Z,1\n2026-01-01T00:20Z,null,-\n"
    assert [row.number for row in rows(text)] == [2, 4, 5]
    assert [r.value for r in readings(text)] == [1.0]
    assert why(text) == []


@pytest.mark.parametrize(
    ("cells", "reason", "detail"),
    [
        ("2026-01-01T00:00Z,loft,warm", Why.NO_VALUE, "row 3: temperature_c 'warm'"),
        ("2026-01-01T00:00Z,loft,1_0", Why.NO_VALUE, "row 3: temperature_c '1_0'"),
        ("2026-01-01T00:00Z,loft,\u0664", Why.NO_VALUE, "row 3: temperature_c '\\u0664'"),
        ("2026-01-01T00:00Z,loft,1e999", Why.NOT_FINITE, "row 3: temperature_c '1e999'"),
        ("2026-01-01T00:00Z,loft,999", Why.OUT_OF_RANGE, "row 3: temperature_c '999'"),
        ("yesterday,loft,20", Why.TIME, "row 3: time 'yesterday'"),
        ("2026-01-01T00:00,loft,20", Why.TIME, "row 3: time '2026-01-01T00:00': no offset, and no zone is named"),
        ("0001-01-01T00:00Z,loft,20", Why.TIME, "row 3: time '0001-01-01T00:00Z'"),
        ("2026-01-01T00:00Z,the loft,20", Why.NAME, "row 3: sensor 'the loft'"),
        ("2026-01-01T00:00Z,,20", Why.NO_SENSOR, "row 3: sensor None"),
    ],
)
def test_a_bad_row_names_its_number_and_its_neighbours_are_read(cells: str, reason: Why, detail: str) -> None:
    """What is wrong is told with the row's number as a spreadsheet counts, and the rows around it come through."""
    good = "2026-01-01T00:00Z,loft,20"
    text = f"time,sensor,temperature_c\n{good}\n{cells}\n{good}\n"
    assert why(text, CsvForm()) == [(reason, detail)]
    assert len(readings(text, CsvForm())) == 2


def test_a_cell_beyond_all_bounds_costs_its_row_and_no_more() -> None:
    """A quote that is never closed is given up at the CSV reader's own limit, and the rest is read."""
    text = "time,temperature_c\n2026-01-01T00:00Z,1\n2026-01-01T00:10Z," + "9" * 200_000 + "\n2026-01-01T00:20Z,3\n"
    assert [reason for reason, _ in why(text)] == [Why.ROW]
    assert [r.value for r in readings(text)] == [1.0, 3.0]


def test_semicolons_tabs_and_decimal_commas_are_understood() -> None:
    """A file as a spreadsheet in much of Europe writes it."""
    assert [r.value for r in readings("time;rh_percent\n2026-01-01T00:00Z;47,25\n")] == [47.25]
    assert [r.value for r in readings("\ufefftime\trh_percent\r\n2026-01-01T00:00Z\t47.25\r\n")] == [47.25]


def test_the_doubled_hour_is_told_apart_by_the_order_of_the_rows() -> None:
    """In Helsinki on 25 October 2026 the hour from 03:00 comes twice; ten-minute rows stay ten minutes apart."""
    local = ["02:50", *(f"03:{m:02}" for m in range(0, 60, 10)), *(f"03:{m:02}" for m in range(0, 60, 10)), "04:00"]
    text = "time,sensor,rh_percent\n" + "".join(
        f"2026-10-25 {clock},{sensor},50\n" for clock in local for sensor in ("a", "b")
    )
    found = readings(text, CsvForm(zone=zone_named("Europe/Helsinki")))
    for sensor in "ab":
        at_ms = [r.at_ms for r in found if r.sensor == sensor]
        assert {later - earlier for earlier, later in itertools.pairwise(at_ms)} == {600_000}


def test_of_two_rows_alike_in_the_doubled_hour_the_second_is_the_second() -> None:
    """An hourly logger writes 03:00 twice; one that writes temperature and humidity in rows of their own does not."""
    form = CsvForm(sensor="loft", zone=zone_named("Europe/Helsinki"))
    first_ms = 1792886400000  # 2026-10-25T03:00+03:00
    hourly = "time,rh_percent\n2026-10-25 03:00,50\n2026-10-25 03:00,51\n"
    assert [r.at_ms - first_ms for r in readings(hourly, form)] == [0, 3_600_000]
    apart = "time,temperature_c,rh_percent\n2026-10-25 03:00,20,\n2026-10-25 03:00,,50\n2026-10-25 03:10,20,\n"
    assert [r.at_ms - first_ms for r in readings(apart, form)] == [0, 0, 600_000]


def test_rows_of_the_doubled_hour_are_marked() -> None:
    """Whoever wants to tell that the order of the rows decided can: those rows say so, and no others."""
    text = "time,rh_percent\n" + "".join(f"2026-10-25 {clock},50\n" for clock in ("02:30", "03:30", "03:30", "04:00"))
    found = rows(text, CsvForm(sensor="loft", zone=zone_named("Europe/Helsinki")))
    assert [row.doubled for row in found] == [False, True, True, False]


def test_a_time_that_never_was_is_refused() -> None:
    """On 29 March 2026 there is no 03:30 in Helsinki: clocks went from 03:00 to 04:00."""
    text = "time,rh_percent\n2026-03-29 03:30,50\n"
    form = CsvForm(sensor="loft", zone=zone_named("Europe/Helsinki"))
    ((reason, detail),) = why(text, form)
    assert reason == Why.TIME
    assert detail == "row 2: time '2026-03-29 03:30': the clocks never show it: they are set forward over it"


@pytest.mark.parametrize(
    ("form", "cell"),
    [
        ("%d.%m.%Y %H:%M", "25.11.2025 10:00"),
        ("%m/%d/%y %I:%M %p", "11/25/25 10:00 AM"),
        ("%Y%m%d%H%M%S%z", "20251125110000+0100"),
        ("unix", "1764064800"),
        ("unix", "1764064800.0"),
        ("unix_ms", "1764064800000"),
    ],
)
def test_times_are_read_in_the_form_that_is_named(form: str, cell: str) -> None:
    """The same instant, as six loggers would write it."""
    wanted = CsvForm(sensor="loft", zone=zone_named("UTC"), time_format=checked_time_format(form))
    (reading,) = readings(f"time;rh_percent\n{cell};50\n", wanted)
    assert reading.at_ms == 1764064800000
    assert why("time;rh_percent\n25/11/2025;50\n-1;50\n;50\n", wanted) == [
        (Why.TIME, f"row {number}: time {text!r}") for number, text in ((2, "25/11/2025"), (3, "-1"), (4, ""))
    ]


@pytest.mark.parametrize("form", ["", "%H:%M", "%d.%m. %H:%M", "%Q", "%Y", "%", "unix_s", "%Y-%m-%d %"])
def test_a_form_of_times_that_names_no_day_is_refused(form: str) -> None:
    """Before a file is opened, a form with which no date can be read says what it lacks."""
    with pytest.raises(SettingsError, match="does not say year, month and day"):
        checked_time_format(form)


def test_date_and_time_may_stand_in_two_columns() -> None:
    """Mapped to `date`, a column is the first half of the time; merely called so, it is passed over."""
    zone = zone_named("+01:00")
    text = "Day,Clock,RH\n25.11.2025,11:00,50\n"
    form = CsvForm({"Day": "date", "Clock": "time", "RH": "rh_percent"}, "loft", zone, "%d.%m.%Y %H:%M")
    assert [r.at_ms for r in readings(text, form)] == [1764064800000]
    assert [
        r.at_ms for r in readings("date,time,rh_percent\n2025,2025-11-25T11:00,50\n", CsvForm({}, "loft", zone))
    ] == [1764064800000]
    named = CsvForm({"date": "date"}, "loft", zone)
    assert [r.at_ms for r in readings("date,time,rh_percent\n2025-11-25,11:00,50\n", named)] == [1764064800000]


def test_a_mapped_column_takes_the_place_of_one_that_has_our_name() -> None:
    """A file with its own idea of "time" (the minutes since start, say) is read by the column that the map names."""
    text = "time,stamp,rh_percent\n17,2025-11-25T10:00Z,50\n"
    assert [r.at_ms for r in readings(text, CsvForm({"stamp": "time"}, "loft"))] == [1764064800000]


def test_the_decimal_sign_may_be_said() -> None:
    """Quoted numbers with a comma among commas, and points among tabs, by setting; a thousands' mark is no number."""
    text = 'at_ms,temperature_c\n1764064800000,"21,5"\n'
    assert [r.value for r in readings(text, CsvForm(sensor="loft", decimal="comma"))] == [21.5]
    assert [reason for reason, _ in why(text)] == [Why.NO_VALUE]
    text = "at_ms;pressure_hpa\n1764064800000;1,013.25\n1764064800000;1013.25\n"
    assert [r.value for r in readings(text, CsvForm(sensor="loft", decimal="point"))] == [101.325]


def test_what_a_logger_says_before_its_table_is_passed_over() -> None:
    """The header may stand further down; rows keep the numbers that a spreadsheet shows."""
    text = 'Serial,"12;3\nLocation,Loft\n\nat_ms,rh_percent\n1764064800000,50\n1764064800000,500\n'
    form = CsvForm(sensor="loft", header_row=4)
    assert [r.value for r in readings(text, form)] == [50.0]
    assert why(text, form) == [(Why.OUT_OF_RANGE, "row 6: rh_percent '500'")]


def test_lines_are_utf_8_or_the_western_code_page() -> None:
    """A header as older programs write it can be named in the map as it is seen."""
    assert text_of("Temp [°C]".encode()) == text_of("Temp [°C]".encode("cp1252")) == "Temp [°C]"
    assert text_of(b"\x81\xff") == "\ufffdÿ"  # octets that mean nothing there do no harm


@pytest.mark.parametrize(
    ("header", "form", "message"),
    [
        ("", LOFT, "row 1: no column gives the time. The columns are none"),
        ("when,rh_percent", LOFT, "no column gives the time. The columns are 'when', 'rh_percent'; say by the column"),
        ("time,rh", LOFT, "no column gives a quantity"),
        ("time,rh_percent", CsvForm(), "neither a column nor the settings name the sensor"),
        ("time,rh_percent,rh_percent", LOFT, "two columns are rh_percent"),
        ("time,temperature_c,temperature_f", LOFT, "two columns give the same quantity"),
        ("time,rh_percent", CsvForm({"T": "temperature_c"}, "loft"), "there is no column 'T', which the column map"),
    ],
)
def test_a_header_that_does_not_say_enough_is_refused_with_what_to_do(header: str, form: CsvForm, message: str) -> None:
    """Before the first row, a file whose header cannot be understood says what is missing and what is there."""
    with pytest.raises(ProtocolError) as caught:
        rows(f"{header}\n", form)
    assert message in str(caught.value)


def test_a_map_to_something_unknown_is_a_mistake_in_the_settings() -> None:
    """A column mapped to a name that is none of ours lists the names that are."""
    with pytest.raises(SettingsError, match=r"'temp', to which the column 'T' .*temperature_c"):
        rows("T\n", CsvForm({"T": "temp"}, "loft"))


@pytest.mark.parametrize("text", ["", "CET+1", "+25:00", "../../etc/passwd", "Nowhere/Land"])
def test_what_is_no_zone_is_refused(text: str) -> None:
    """Only IANA names and offsets are zones, and no path leads out of the zone database."""
    with pytest.raises(SettingsError, match="is no time zone"):
        zone_named(text)


def test_offsets_and_names_are_zones() -> None:
    """An offset with and without its colon, and an IANA name."""
    assert zone_named("-0330").utcoffset(None) == dt.timedelta(hours=-3, minutes=-30)
    assert zone_named("UTC").utcoffset(dt.datetime(2026, 1, 1)) == dt.timedelta(0)  # noqa: DTZ001 -- any wall time


VALUES = st.sampled_from([name for name, column in COLUMNS.items() if name == column.quantity]).flatmap(
    lambda name: st.tuples(st.just(name), st.floats(QUANTITIES[name].minimum, QUANTITIES[name].maximum))
)


@PATIENT
@given(st.lists(st.tuples(st.from_regex(SENSOR_ID, fullmatch=True), st.integers(0, 4_102_444_800_000), VALUES)))
def test_what_is_written_as_csv_is_read_back_exactly(records: list[tuple[str, int, tuple[str, float]]]) -> None:
    """Every bit of a value and every millisecond survive, as ISO time or as milliseconds."""
    names = list(QUANTITIES)
    for by_ms in (True, False):
        out = io.StringIO()
        writer = csv.writer(out)
        writer.writerow(["at_ms" if by_ms else "time", "sensor", *names])
        for sensor, at_ms, (name, value) in records:
            iso = (dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(milliseconds=at_ms)).isoformat()
            writer.writerow([at_ms if by_ms else iso, sensor, *(repr(value) if n == name else "" for n in names)])
        wanted = [Reading(sensor, name, value, at_ms, Stamp.SENSOR) for sensor, at_ms, (name, value) in records]
        assert readings(out.getvalue(), CsvForm()) == wanted


CELLS = st.text(max_size=12) | st.sampled_from(["2026-01-01T00:00", "2026-01-01T00:00Z", "20", "-1e400", "nan", '"'])


@settings(PATIENT, max_examples=300)
@given(st.lists(st.lists(CELLS, max_size=5).map(",".join), max_size=8), st.sampled_from(["+02:00", "Europe/Lisbon"]))
def test_nothing_in_a_file_can_break_the_reader(lines: list[str], zone: str) -> None:
    """Any text under a good header gives readings within range and rejections, never an error."""
    text = "time,sensor,temperature_c,rh_percent,pressure_inhg\n" + "\n".join(lines)
    for row in rows(text, CsvForm(zone=zone_named(zone))):
        for reading in row.readings:
            assert QUANTITIES[reading.quantity].minimum <= reading.value <= QUANTITIES[reading.quantity].maximum
        assert {rejected.reason for rejected in row.rejections} <= set(Why)


def test_a_real_room_through_a_winter_is_read_whole() -> None:
    """The measured room (source: tests/data/measured_room/README.md) gives two readings a row, none rejected."""
    path = Path(__file__).parents[2] / "data" / "measured_room" / "indoor.csv"
    columns = {"t_UTC+2": "time", "T": "temperature_c", "RH": "rh_percent"}
    with path.open(encoding="utf-8", newline="") as file:
        read = list(read_rows(file, CsvForm(columns, "room", zone_named("+02:00"))))
    assert len(read) > 20_000
    assert all(len(row.readings) == 2 and not row.rejections for row in read)
