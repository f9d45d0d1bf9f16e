"""`lumberroom export` and `lumberroom import`: what goes out comes back the same, and what cannot is told."""

from __future__ import annotations

import csv
import io
import itertools
import json
import os
import sqlite3
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import pyarrow.parquet
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract import QUANTITIES, Reading, Stamp
from adapters.framing.csv_rows import DECIMALS, CsvForm
from adapters.recorded_files import FileForm, recorded
from ingest.cli.commands import import_readings
from ingest.cli.exchange.writing import FORMATS, harmless
from ingest.cli.main import main
from ingest.physics.derived import DERIVED
from ingest.site.actor import SETTINGS
from ingest.site.places import Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

LUMBERROOM = str(Path(sys.executable).with_name("lumberroom"))
NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00Z
SITE = Site(
    "Invented joinery",
    time_zone="Europe/Berlin",
    rooms=(Room("oak", "Oak store"), Room("bench", "Bench room")),
    sensors=(Sensor("oak-1", "oak"), Sensor("oak-2", "oak"), Sensor("bench-1", "bench")),
)
Content = dict[SeriesKey, list[tuple[int, bytes]]]


def lumberroom(*arguments: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def fill(folder: Path, readings: list[Reading], site: Site | None = SITE) -> Path:
    """Make a data directory with a job and readings."""
    folder.mkdir(exist_ok=True)
    with SqliteStore.open(folder / FILE_NAME) as store, store.transaction() as work:
        if site is not None:
            work.save_site(site, at_ms=NOON_MS, by=SETTINGS)
        work.append(ReadingBatch.of(readings), heard_ms=NOON_MS)
    return folder


def content(folder: Path) -> Content:
    """Give everything measured in a store, the values as their bits."""
    with SqliteStore.open(folder / FILE_NAME, read_only=True) as store:
        found = {}
        for extent in store.read.extents():
            series = store.read.read(extent.key, extent.first_ms, extent.last_ms + 1)
            values = [struct.pack("<d", value) for value in series.value.tolist()]
            found[extent.key] = list(zip(series.at_ms.tolist(), values, strict=True))
        return found


def reading(sensor: str, quantity: str, value: float, minutes: float = 0.0) -> Reading:
    """Make a reading so many minutes after noon."""
    return Reading(sensor, quantity, value, NOON_MS + int(minutes * 60_000), Stamp.SENSOR)


HOUR = [
    reading(sensor, quantity, start + minute / 7, minute)
    for sensor in ("oak-1", "bench-1")
    for quantity, start in (("temperature_c", 18.0), ("rh_percent", 45.0))
    for minute in range(0, 60, 5)
]


@st.composite
def readings_strategy(draw: st.DrawFn) -> list[Reading]:
    """Readings that intake would take: any finite double in range, any millisecond since 2000."""
    made = []
    for _ in range(draw(st.integers(1, 60))):
        quantity = QUANTITIES[draw(st.sampled_from(list(QUANTITIES)))]
        value = draw(st.floats(quantity.minimum, quantity.maximum))
        at_ms = draw(st.integers(946_684_800_000, NOON_MS))
        made.append(Reading(draw(st.sampled_from(["oak-1", "bench-1"])), quantity.name, value, at_ms, Stamp.SENSOR))
    return made


@pytest.mark.parametrize("format_name", FORMATS)
@settings(max_examples=8)
@given(readings=readings_strategy())
def test_what_is_exported_comes_back_bit_for_bit(
    format_name: str, readings: list[Reading], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Any readings, through any format, fill a new store with the same series, instants and bits.

    SenML states pressure in pascals and writes the sign of a zero, which adding its base value takes away: there a
    value may be the neighbouring double, and -0.0 comes back as 0.0, as --help says.
    """
    folder = tmp_path_factory.mktemp("trip")
    source, target = fill(folder / "source", readings), fill(folder / "target", [])
    file = folder / f"all.{format_name}"
    assert lumberroom("export", source, "--output", file).exit_code == 0
    result = lumberroom("import", file, "--data", target)
    assert result.exit_code == 0, result.output
    if format_name != "senml":
        assert content(target) == content(source)
        return
    for (key, there), (same_key, back) in zip(content(source).items(), content(target).items(), strict=True):
        assert key == same_key
        for (at_ms, bits), (same_ms, same_bits) in zip(there, back, strict=True):
            value, same = struct.unpack("<d", bits)[0], struct.unpack("<d", same_bits)[0]
            assert at_ms == same_ms
            assert same == (pytest.approx(value, rel=2.3e-16) if key.quantity == "pressure_kpa" else value)


@pytest.mark.parametrize("format_name", ["csv", "senml"])
def test_what_is_exported_can_be_played_again_bit_for_bit(format_name: str, tmp_path: Path) -> None:
    """The replay adapter reads an export, derived columns and all, to the same readings as the store gave."""
    file = tmp_path / f"hour.{format_name}"
    derived = ("--derived",) if format_name == "csv" else ()
    assert lumberroom("export", fill(tmp_path / "data", HOUR), "--output", file, *derived).exit_code == 0
    played = [item for portion in recorded(file, FileForm("auto", CsvForm())) for item in portion]
    assert sorted(played) == sorted(HOUR)


@pytest.mark.parametrize("format_name", FORMATS)
def test_importing_twice_stores_nothing_twice(format_name: str, tmp_path: Path) -> None:
    """A second import of the same file finds everything there already and amends nothing."""
    source, target = fill(tmp_path / "source", HOUR), fill(tmp_path / "target", [])
    file = tmp_path / f"hour.{format_name}"
    lumberroom("export", source, "--output", file)
    assert "48 stored, 0 there already, 0 amended, 0 refused." in lumberroom("import", file, "--data", target).output
    assert "0 stored, 48 there already, 0 amended, 0 refused." in lumberroom("import", file, "--data", target).output


def test_import_leaves_alone_when_sensors_were_heard(tmp_path: Path) -> None:
    """Imported readings are history: they do not make a silent sensor look heard."""
    source, target = fill(tmp_path / "source", HOUR), fill(tmp_path / "target", [])
    lumberroom("export", source, "--output", tmp_path / "hour.csv")
    lumberroom("import", tmp_path / "hour.csv", "--data", target)
    with SqliteStore.open(target / FILE_NAME, read_only=True) as store:
        assert store.read.heard() == {}


@pytest.fixture
def hour(tmp_path: Path) -> Path:
    """A data directory with an hour of two rooms."""
    return fill(tmp_path / "data", HOUR)


def exported(data: Path, *options: object) -> list[dict[str, str]]:
    """Export to CSV and parse it."""
    file = data.parent / "out.csv"
    result = lumberroom("export", data, "--output", file, "--force", *options)
    assert result.exit_code == 0, result.output
    return list(csv.DictReader(io.StringIO(file.read_text())))


def test_rows_hold_one_sensor_at_one_instant_in_order_of_time(hour: Path) -> None:
    """CSV rows are ordered by time, then sensor, with time in UTC to the millisecond and all digits of the values."""
    rows = exported(hour)
    assert len(rows) == 24
    assert [(row["time"], row["sensor"]) for row in rows] == sorted((row["time"], row["sensor"]) for row in rows)
    assert rows[3] == {
        "time": "2026-01-01T12:05:00.000Z",
        "room": "oak",
        "sensor": "oak-1",
        "temperature_c": repr(18.0 + 5 / 7),
        "rh_percent": repr(45.0 + 5 / 7),
    }


def test_room_span_and_quantity_choose_what_is_written(hour: Path) -> None:
    """--room, --from, --to (half-open, in the site's zone) and --quantity each leave out the rest."""
    assert {row["sensor"] for row in exported(hour, "--room", "bench")} == {"bench-1"}
    assert len(exported(hour, "--room", "bench", "--room", "oak")) == 24
    times = [row["time"] for row in exported(hour, "--from", "2026-01-01T13:10", "--to", "2026-01-01T12:20Z")]
    assert times == ["2026-01-01T12:10:00.000Z"] * 2 + ["2026-01-01T12:15:00.000Z"] * 2
    assert exported(hour, "--to", "2026-01-01") == []
    assert list(exported(hour, "--quantity", "rh_percent")[0]) == ["time", "room", "sensor", "rh_percent"]


def test_derived_columns_are_those_of_the_store(hour: Path) -> None:
    """--derived appends every derived quantity with the store's own values."""
    rows = exported(hour, "--derived", "--room", "oak")
    assert list(rows[0])[-len(DERIVED) :] == list(DERIVED)
    with SqliteStore.open(hour / FILE_NAME, read_only=True) as store:
        series = store.read.read(SeriesKey("oak-1", "emc_percent"), NOON_MS, NOON_MS + 3_600_000)
    assert [float(row["emc_percent"]) for row in rows] == series.value.tolist()
    assert list(exported(hour, "--quantity", "dew_point_c")[0])[3:] == ["dew_point_c"]


def test_derived_columns_are_not_stored_on_the_way_back(hour: Path, tmp_path: Path) -> None:
    """A file with derived columns brings back the measured quantities alone."""
    exported(hour, "--derived")
    target = fill(tmp_path / "target", [])
    assert "48 stored" in lumberroom("import", tmp_path / "out.csv", "--data", target).output
    assert content(target) == content(hour)


def test_parquet_has_typed_columns(hour: Path, tmp_path: Path) -> None:
    """A Parquet file holds UTC timestamps to the millisecond, names as text and values as doubles."""
    lumberroom("export", hour, "--output", tmp_path / "hour.parquet")
    schema = pyarrow.parquet.read_schema(tmp_path / "hour.parquet")
    assert [str(field.type) for field in schema] == ["timestamp[ms, tz=UTC]", "string", "string", "double", "double"]


def test_export_of_nothing_is_an_empty_table(tmp_path: Path) -> None:
    """A store without readings gives each format's empty file, which comes back as nothing."""
    empty = fill(tmp_path / "empty", [])
    for format_name in FORMATS:
        file = tmp_path / f"none.{format_name}"
        assert lumberroom("export", empty, "--output", file).exit_code == 0
        assert "0 stored" in lumberroom("import", file, "--data", empty).output
    assert (tmp_path / "none.csv").read_text() == "time,room,sensor,temperature_c,rh_percent\n"


def test_daemon_may_write_while_export_reads_but_import_is_refused(hour: Path, tmp_path: Path) -> None:
    """While another process holds the store, export works and import says who has it and what to do."""
    lumberroom("export", hour, "--output", tmp_path / "hour.csv")
    with SqliteStore.open(hour / FILE_NAME):
        export = subprocess.run([LUMBERROOM, "export", hour], capture_output=True, text=True, check=False, timeout=60)
        arguments = [LUMBERROOM, "import", tmp_path / "hour.csv", "--data", hour]
        refused = subprocess.run(arguments, capture_output=True, text=True, check=False, timeout=60)
    assert len(export.stdout.splitlines()) == 25
    assert refused.returncode == 3
    assert f"another lumberroom (process {os.getpid()}) is writing this store" in refused.stderr


def test_output_appears_whole_or_not_at_all(hour: Path, tmp_path: Path) -> None:
    """An existing file is kept without --force, and an export that fails leaves nothing behind."""
    (tmp_path / "mine.csv").write_text("precious")
    kept = lumberroom("export", hour, "--output", tmp_path / "mine.csv")
    assert kept.exit_code == 4
    assert (tmp_path / "mine.csv").read_text() == "precious"
    assert lumberroom("export", hour, "--derived", "--format", "senml", "--output", tmp_path / "new").exit_code == 2
    assert {path.name for path in tmp_path.iterdir()} == {"data", "mine.csv"}


@pytest.mark.parametrize(
    ("options", "exit_code", "words"),
    [
        (("--room", "cellar"), 4, "there is no room 'cellar'. There are: oak, bench."),
        (("--quantity", "dewpoint"), 2, "there is no quantity 'dewpoint'. Measured: temperature_c"),
        (("--from", "yesterday"), 2, "'yesterday' is no date and time. Give it as 2026-01-31"),
        (("--from", "2026-02-01", "--to", "2026-01-01"), 2, "2026-02-01 is not before 2026-01-01"),
        (("--from", "2026-10-25T02:30"), 2, "Europe/Berlin show 2026-10-25T02:30 twice. Add the offset"),
        (("--from", "2026-03-29T02:30"), 2, "Europe/Berlin never show 2026-03-29T02:30"),
        (("--format", "senml", "--derived"), 2, "SenML has no words for dew_point_c"),
    ],
)
def test_export_options_that_cannot_be_are_refused(
    hour: Path, options: tuple[str, ...], exit_code: int, words: str
) -> None:
    """A mistake gets a sentence that says how to mend it."""
    result = lumberroom("export", hour, "--output", hour.parent / "out", *options)
    assert result.exit_code == exit_code
    assert words in result.stderr


def test_export_of_no_store_says_so(tmp_path: Path) -> None:
    """A folder without a store is named."""
    result = lumberroom("export", tmp_path)
    assert result.exit_code == 3
    assert "there is no store here" in result.stderr


def test_unknown_sensors_are_refused_unless_a_room_is_named(hour: Path, tmp_path: Path) -> None:
    """Readings of sensors of no room are left out and listed; --room puts the sensors there, keeping the job's rest."""
    lumberroom("export", hour, "--output", tmp_path / "hour.jsonl")
    other = Site("Other", rooms=(Room("attic", "Attic"),), sensors=(Sensor("oak-1", "attic"),))
    target = fill(tmp_path / "target", [], other)
    refused = lumberroom("import", tmp_path / "hour.jsonl", "--data", target)
    assert refused.exit_code == 2
    assert "24 stored" in refused.stdout
    assert "refused 24 of sensors that belong to no room: bench-1 (24)" in refused.stderr
    added = lumberroom("import", tmp_path / "hour.jsonl", "--data", target, "--room", "shed")
    assert (added.exit_code, added.stderr) == (0, "new sensors: bench-1\n")
    with SqliteStore.open(target / FILE_NAME, read_only=True) as store:
        site = store.read.site()
    assert site is not None
    assert [room.id for room in site.rooms] == ["attic", "shed"]
    assert [(sensor.id, sensor.room) for sensor in site.sensors] == [("oak-1", "attic"), ("bench-1", "shed")]


def test_store_without_a_job_asks_for_one(hour: Path, tmp_path: Path) -> None:
    """A new data directory takes readings with --room, and without it says how to bring the job in."""
    lumberroom("export", hour, "--output", tmp_path / "hour.csv")
    (tmp_path / "new").mkdir()
    refused = lumberroom("import", tmp_path / "hour.csv", "--data", tmp_path / "new")
    assert refused.exit_code == 4
    assert "lumberroom site apply FILE" in refused.stderr
    assert lumberroom("import", tmp_path / "hour.csv", "--data", tmp_path / "new", "--room", "attic").exit_code == 0
    assert content(tmp_path / "new") == content(hour)


def test_csv_from_elsewhere_comes_in_by_a_map_of_its_columns(tmp_path: Path) -> None:
    """A European export (semicolons, decimal commas, °F, local times) is understood with --column, --sensor, --zone."""
    data = fill(tmp_path / "data", [])
    table = "\ufeffDate;Temp;Feuchte;Note\r\n2026-01-01 14:00;68,9;45,5;ok\r\n2026-01-01 14:10;;46;\r\n"
    (tmp_path / "foreign.csv").write_text(table, encoding="utf-8", newline="")
    columns = ("--column", "time=Date", "--column", "temperature_f=Temp", "--column", "rh_percent=Feuchte")
    result = lumberroom(
        "import", tmp_path / "foreign.csv", "--data", data, "--sensor", "oak-2", "--zone", "+02:00", *columns
    )
    assert (result.exit_code, result.stdout) == (0, "3 stored, 0 there already, 0 amended, 0 refused.\n")
    found = content(data)
    assert [at_ms - NOON_MS for at_ms, _ in found[SeriesKey("oak-2", "rh_percent")]] == [0, 600_000]
    ((_, bits),) = found[SeriesKey("oak-2", "temperature_c")]
    assert struct.unpack("<d", bits)[0] == pytest.approx(20.5, abs=1e-12)


def test_every_form_of_a_foreign_table_can_be_said(tmp_path: Path) -> None:
    """A preamble, date and time in two columns, a form of dates, decimal commas, the hour that comes twice: told."""
    data = fill(tmp_path / "data", [])
    table = "Logger 7\n\nDatum,Zeit,Temp\n" + "".join(
        f'26.10.2025,{clock},"20,{number}"\n' for number, clock in enumerate(("01:30", "02:30", "02:30", "03:30"))
    )
    (tmp_path / "foreign.csv").write_text(table, encoding="cp1252")
    options = ["--column", "date=Datum", "--column", "time=Zeit", "--column", "temperature_c=Temp", "--sensor", "oak-2"]
    options += ["--time-format", "%d.%m.%Y %H:%M", "--decimal", "comma", "--header-row", "3"]
    result = lumberroom("import", tmp_path / "foreign.csv", "--data", data, *options)
    assert (result.exit_code, result.stdout) == (0, "4 stored, 0 there already, 0 amended, 0 refused.\n")
    assert result.stderr.startswith("2 times fall into an hour that the clocks show twice")
    at_ms = [at for at, _ in content(data)[SeriesKey("oak-2", "temperature_c")]]
    assert [later - first for first, later in itertools.pairwise(at_ms)] == [3_600_000] * 3


def test_every_format_understands_times_alike(tmp_path: Path) -> None:
    """JSON lines with times in a form of their own and numbers in quotes are read as CSV is."""
    data = fill(tmp_path / "data", [])
    rows = [{"when": "01/01/2026 13:00", "rh": "45.5"}, {"when": "1/2/26", "rh": 45}, {"when": "01/01/2026 13:05"}]
    (tmp_path / "odd.jsonl").write_text("\n".join(map(json.dumps, rows)))
    options = ("--column", "time=when", "--column", "rh_percent=rh", "--sensor", "oak-1")
    result = lumberroom("import", tmp_path / "odd.jsonl", "--data", data, *options, "--time-format", "%d/%m/%Y %H:%M")
    assert result.stdout == "1 stored, 0 there already, 0 amended, 1 refused.\n"
    assert content(data)[SeriesKey("oak-1", "rh_percent")] == [(NOON_MS, struct.pack("<d", 45.5))]


@pytest.mark.parametrize(
    ("option", "words"),
    [
        (("--time-format", "%H:%M"), "--time-format: '%H:%M' does not say year, month and day"),
        (("--zone", "Atlantis"), "--zone: 'Atlantis' is no time zone"),
        (("--column", "warmth=T"), "--column: 'warmth=T' is not NAME=COLUMN"),
    ],
)
def test_import_options_that_cannot_be_are_refused(hour: Path, option: tuple[str, str], words: str) -> None:
    """A mistake in an option is a sentence that names the option; nothing is read."""
    (hour / "a.csv").write_text("time,sensor,rh_percent\n")
    result = lumberroom("import", hour / "a.csv", "--data", hour, *option)
    assert result.exit_code == 2
    assert words in result.stderr


def test_import_offers_the_decimal_signs_that_the_reader_knows() -> None:
    """The command's list, written out so that `--help` is quick, is the reader's."""
    assert import_readings.DECIMALS == DECIMALS


def test_what_cannot_be_true_is_told_with_its_place(tmp_path: Path) -> None:
    """Each refused value or row is told with its line and reason, counted by reason; the rest is stored."""
    data = fill(tmp_path / "data", [])
    (tmp_path / "odd.csv").write_text(
        "time,sensor,temperature_c,rh_percent\n"
        "2026-01-01T12:00Z,oak-1,20,45\n"
        "2026-01-01T12:01Z,oak-1,20,120\n"
        "yesterday,oak-1,20,45\n"
        "2026-01-01T12:02Z,,20,45\n"
        "2026-01-01T12:03Z,oak-1,warm,45\n"
        "1999-01-01T12:05Z,oak-1,20,45\n"
    )
    result = lumberroom("import", tmp_path / "odd.csv", "--data", data)
    assert result.exit_code == 2
    assert result.stdout == "4 stored, 0 there already, 0 amended, 6 refused.\n"
    assert result.stderr.splitlines() == [
        "row 3: value out of range (rh_percent '120')",
        "row 4: time not usable (time 'yesterday')",
        "row 5: no sensor named (sensor None)",
        "row 6: no numeric value (temperature_c 'warm')",
        "row 7: time lies before the year 2000 (temperature_c 20.0)",
        "row 7: time lies before the year 2000 (rh_percent 45.0)",
        "refused 2: time lies before the year 2000",
        "refused 1: value out of range",
        "refused 1: time not usable",
        "refused 1: no sensor named",
        "refused 1: no numeric value",
    ]


def test_json_lines_are_told_by_their_line(tmp_path: Path) -> None:
    """In JSON lines, too, what is no reading is told with its place, and the rest is stored."""
    data = fill(tmp_path / "data", [])
    lines = [
        {"time": "2026-01-01T12:00Z", "sensor": "oak-1", "rh_percent": 45},
        {"time": "2026-01-01T12:00", "sensor": "oak-1", "temperature_c": 20.5},
        {"time": None, "sensor": "oak-1", "rh_percent": 45},
        {"time": "2026-03-29T02:30", "sensor": "oak-1", "rh_percent": 45},
        {"time": "2026-01-01T12:00Z", "sensor": 7, "rh_percent": 45},
        {"time": "2026-01-01T12:00Z", "sensor": "oak-1", "rh_percent": True},
        ["not", "an", "object"],
    ]
    (tmp_path / "odd.jsonl").write_text("\n".join([*map(json.dumps, lines), "{"]))
    result = lumberroom("import", tmp_path / "odd.jsonl", "--data", data)
    assert result.stdout == "2 stored, 0 there already, 0 amended, 6 refused.\n"
    assert result.stderr.splitlines()[:6] == [
        "line 3: time not usable (time None)",
        "line 4: time not usable (time '2026-03-29T02:30': the clocks never show it: they are set forward over it)",
        "line 5: no sensor named",
        "line 6: field of the wrong type (rh_percent True)",
        "line 7: row not readable",
        "line 8: not JSON",
    ]
    assert content(data)[SeriesKey("oak-1", "temperature_c")][0][0] == NOON_MS - 3_600_000


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("a.csv", b"", "no column gives the time. The columns are none. Say which"),
        (
            "a.csv",
            b"time,sensor,dew_point_c\n",
            "no column gives a quantity. The columns are 'time', 'sensor', 'dew_point_c'",
        ),
        ("a.csv", b"Date,Temp\n1,2\n", "The columns are 'Date', 'Temp'. Say which columns are what with --column"),
        ("a.csv", b"\x00\x01\xff\xfe\n" * 9, "no column gives the time"),
        ("a.parquet", b"PAR1 not really", "this is not a whole Parquet file"),
        ("a.txt", b"", "Give --format"),
    ],
)
def test_files_that_hold_no_readings_are_refused(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    """A file that is not what its name says gets a sentence, exit code 2 and no traceback."""
    (tmp_path / name).write_bytes(data)
    result = lumberroom("import", tmp_path / name, "--data", fill(tmp_path / "data", []))
    assert result.exit_code == 2
    assert words in result.stderr


@settings(max_examples=12)
@given(
    st.lists(st.one_of(st.binary(max_size=60), st.just(b'{"time":1,"sensor":"oak-1","rh_percent":1e999}')), max_size=5)
)
def test_rubbish_is_refused_line_by_line(lines: list[bytes]) -> None:
    """Whatever stands in a file of JSON lines, SenML or CSV, import ends with a sentence and never with a bug."""
    with tempfile.TemporaryDirectory() as folder:
        data = fill(Path(folder) / "data", [])
        for name in ("rubbish.jsonl", "rubbish.senml", "rubbish.csv"):
            head = b"time,sensor,rh_percent\n" if name.endswith("csv") else b""
            file = Path(folder) / name
            file.write_bytes(head + b"\n".join(lines))
            result = lumberroom("import", file, "--data", data)
            assert result.exit_code in (0, 2), result.output
        assert content(data) == {}


def test_amended_values_are_counted_and_taken(hour: Path, tmp_path: Path) -> None:
    """A file that says another value for an instant amends it, and says how often."""
    lumberroom("export", hour, "--room", "oak", "--output", tmp_path / "oak.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "oak.jsonl").read_text().splitlines()]
    lines[0]["rh_percent"] = 44.5
    (tmp_path / "oak.jsonl").write_text("\n".join(map(json.dumps, lines)))
    result = lumberroom("import", tmp_path / "oak.jsonl", "--data", hour)
    assert result.stdout == "0 stored, 23 there already, 1 amended, 0 refused.\n"
    assert content(hour)[SeriesKey("oak-1", "rh_percent")][0][1] == struct.pack("<d", 44.5)


@given(st.text(max_size=8))
def test_no_text_is_a_formula(text: str) -> None:
    """Text that a spreadsheet would run is written behind an apostrophe, any other as it is."""
    assert not harmless(text).startswith(("=", "+", "-", "@", "\t", "\r"))
    assert harmless(text).removeprefix("'") == text.removeprefix("'")


def test_reader_that_goes_away_is_no_error(hour: Path) -> None:
    """`lumberroom export DATA | head -1` ends quietly."""
    command = f"{LUMBERROOM} export {hour} --derived --format jsonl | head -c 20"
    result = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, check=False, timeout=60)
    assert (result.returncode, result.stderr) == (0, b"")
    assert result.stdout == b'{"time":"2026-01-01T'


def test_help_tells_formats_times_and_examples() -> None:
    """Both helps name the formats, say what a time means and show an example."""
    export, import_ = lumberroom("export", "--help").stdout, lumberroom("import", "--help").stdout
    for word in (*FORMATS, "Examples:", "zone"):
        assert word in export
        assert word in import_
    assert "--output january.parquet" in export
    assert "Stop the daemon first" in import_


def test_what_is_damaged_is_left_out_named_and_told_by_the_exit_code(tmp_path: Path) -> None:
    """A batch whose bytes are not those that were written: the others are exported, and nothing is passed over."""
    for minute, value in enumerate((20.25, 21.25, 22.25)):
        fill(tmp_path, [Reading("oak-1", "temperature_c", value, NOON_MS + 60_000 * minute, Stamp.SENSOR)])
    connection = sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)
    connection.execute("PRAGMA trusted_schema = ON")
    connection.create_function("row_sum", -1, lambda *_: 0, deterministic=True)
    connection.execute("UPDATE batch SET body = replace(body, '21.25', '61.25') WHERE number = 2")
    connection.close()
    done = lumberroom("export", tmp_path, "--output", tmp_path / "all.csv")
    assert done.exit_code == 3
    assert "left out: batch 2: it is not as it was written" in done.stderr
    written = (tmp_path / "all.csv").read_text()
    assert "20.25" in written
    assert "22.25" in written
    assert "1.25" not in written
