"""`lumberroom weeks`: a table for people, JSON for machines, mistakes as sentences."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from click.testing import CliRunner, Result

from ingest.cli.main import main
from ingest.site.actor import SETTINGS
from ingest.site.places import AcclimationWindow, Bounds, Phase, Place, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

ZONE = ZoneInfo("Europe/Berlin")
MONDAY_MS = int(dt.datetime(2026, 1, 12, tzinfo=ZONE).timestamp() * 1000)
HOUR_MS = 3_600_000
WEEK_MS = 168 * HOUR_MS
WINDOW = AcclimationWindow(Bounds(16.0, 24.0), Bounds(30.0, 50.0))
SITE = Site(
    "Invented joinery",
    "Europe/Berlin",
    rooms=(Room("oak", "Oak store", WINDOW), Room("bench", "Bench room"), Room("empty", "Empty")),
    sensors=(Sensor("oak-1", "oak"), Sensor("bench-1", "bench"), Sensor("pin", "empty", Place.WOOD)),
)
INDOOR = Path(__file__).parents[2] / "data" / "measured_room" / "indoor.csv"


def lumberroom(*arguments: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three weeks of two rooms every ten minutes: dry in the second week, half of the third silent."""
    folder = tmp_path_factory.mktemp("data")
    at_ms = np.arange(MONDAY_MS, MONDAY_MS + 5 * WEEK_MS // 2, 600_000)
    rh_percent = np.where((at_ms - MONDAY_MS) // WEEK_MS == 1, 24.0, 40.0)
    keys = [SeriesKey(sensor, name) for sensor in ("oak-1", "bench-1") for name in ("temperature_c", "rh_percent")]
    columns = [np.full(len(at_ms), 20.0), rh_percent, np.full(len(at_ms), -21.5), rh_percent]
    batch = ReadingBatch(
        tuple(keys),
        np.repeat(np.arange(4, dtype=np.int32), len(at_ms)),
        np.tile(at_ms, 4),
        np.concatenate(columns),
        np.zeros(4 * len(at_ms), dtype=np.bool_),
    )
    with SqliteStore.open(folder / FILE_NAME) as store, store.transaction() as work:
        work.save_site(SITE, at_ms=MONDAY_MS, by=SETTINGS)
        work.append(batch, heard_ms=MONDAY_MS, live=False)
    return folder


def test_the_table_says_each_week_and_what_it_is_not(data: Path) -> None:
    """Figures, hours and a conclusion a week, then the counts and the caution; nothing wider than 100 columns."""
    result = lumberroom("weeks", data, "--room", "oak")
    assert result.exit_code == 0
    lines = result.output.splitlines()
    assert lines[0] == "Oak store, week by week. Judged by: temperature 16 to 24 °C, RH 30 to 50 %."
    first, second, third = [" ".join(line.split()) for line in lines if line.startswith("2026-")]
    assert first == "2026-01-12 100 % 20.0 20.0 20.0 40 40 40 7.7 7.7 7.7 168 0 0 0 in range"
    assert second == "2026-01-19 100 % 20.0 20.0 20.0 24 24 24 5.2 5.2 5.2 0 168 0 168 out of range"
    assert third == "2026-01-26 50 % 20.0 20.0 20.0 40 40 40 7.7 7.7 7.7 84 0 84 0 not known"
    assert "Out of range for 7 days: RH below 30 % (lowest 24.0 %)." in result.output
    flat = " ".join(result.output.split())
    assert (
        "Of 3 weeks, 1 went out of range (1 of them out for most of the time that is known), 1 stayed in range" in flat
    )
    assert "not the EMC of the mean climate" in flat
    assert "not an approval to install" in flat
    assert max(map(len, lines)) <= 100


@pytest.mark.parametrize("units", ["si", "us"])
def test_the_table_keeps_within_a_hundred_columns(data: Path, units: str) -> None:
    """Also with long negative temperatures, and lines never end between a figure and its unit."""
    options = ("--temperature", "-10C", "20C", "--rh", 30, 35, "--emc", 6, 7, "--units", units)
    result = lumberroom("weeks", data, "--room", "bench", *options)
    lines = result.output.splitlines()
    assert max(map(len, lines)) <= 100
    assert not [line for line in lines if line.strip().startswith(("%", "°"))]
    assert ("temperature below 14 °F" if units == "us" else "temperature below −10 °C") in result.output


def test_json_says_the_same_in_figures(data: Path) -> None:
    """One document: what is judged by, a list of weeks with units in the names, instants with their offset."""
    found = json.loads(lumberroom("weeks", data, "--room", "oak", "--json").output)
    assert found["judged_by"]["rh_percent"] == {"low": 30.0, "high": 50.0}
    assert [week["state"] for week in found["weeks"]] == ["in range", "out of range", "not known"]
    dry = found["weeks"][1]
    assert (dry["iso_week"], dry["from"], dry["to"]) == (
        "2026-W04", "2026-01-19T00:00:00+01:00", "2026-01-26T00:00:00+01:00",
    )  # fmt: skip
    assert (dry["hours_within"], dry["hours_outside"], dry["hours_not_known"], dry["coverage"]) == (0, 168, 0, 1)
    assert dry["longest_outside"] == {"from": dry["from"], "to": dry["to"], "hours": 168.0}
    assert dry["bounds_passed"] == [
        {"quantity": "rh_percent", "side": "below", "bound": 30.0, "hours": 168.0, "worst": 24.0}
    ]
    assert dry["rh_percent"] == {"mean": 24.0, "minimum": 24.0, "maximum": 24.0, "coverage": 1.0}
    assert dry["hourly_emc_percent"]["hours"] == 168
    assert any("not an approval to install" in note for note in found["notes"])


def test_another_window_is_judged_by_instead(data: Path) -> None:
    """In which weeks would a floor that wants 6 to 9 % EMC have been outside? And an open end is open."""

    def states(*options: object) -> list[str]:
        found = json.loads(lumberroom("weeks", data, "--room", "bench", "--json", *options).output)
        return [week["state"] for week in found["weeks"]]

    assert states() == ["no window", "no window", "no window"]
    assert states("--rh", 30, 50) == ["in range", "out of range", "not known"]
    assert states("--rh", "-", "50 %") == ["in range", "in range", "not known"]
    assert states("--temperature", "-10F", "-5F", "--units", "us") == ["in range", "in range", "not known"]
    assert states("--temperature", -10, -5, "--units", "us") == ["in range", "in range", "not known"]
    assert states("--temperature", -10, -5) == ["out of range", "out of range", "out of range"]
    assert states("--emc", 3, 4.5)[0] == "out of range"


def test_a_stretch_may_be_asked_for(data: Path) -> None:
    """From and to cut the first and last week, which is marked; dates are the site's."""
    result = lumberroom("weeks", data, "--room", "oak", "--from", "2026-01-14", "--to", "2026-01-20T12:00")
    rows = [line for line in result.output.splitlines() if line.startswith("2026-")]
    assert [row.split()[0] for row in rows] == ["2026-01-12*", "2026-01-19*"]
    assert rows[0].split()[-6:] == ["120", "0", "0", "0", "in", "range"]
    assert rows[1].split()[-7:] == ["0", "36", "0", "36", "out", "of", "range"]


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (("--room", "attic"), 4, "--room: there is no room 'attic'. There are: oak, bench, empty."),
        (("--room", "empty"), 2, "room empty: nothing was ever heard from its air. It needs an air sensor"),
        (("--room", "oak", "--rh", "50", "30"), 2, "--rh 50 30: the low end 50 must lie below the high end 30."),
        (("--room", "oak", "--rh", "-", "-"), 2, "--rh - -: bounds need a low or a high end."),
        (("--room", "oak", "--rh", "dry", "50"), 2, "--rh: 'dry' is not a number with a unit. Give it as 30 or 30%."),
        (("--room", "oak", "--rh", "30", "500"), 2, "--rh: 500 is outside 0 to 100 %."),
        (("--room", "oak", "--emc", "6", "90"), 2, "--emc: 90 is outside 0 to 40 %."),
        (("--room", "oak", "--temperature", "16", "900"), 2, "--temperature: 900 is outside"),
        (("--room", "oak", "--from", "2026-02-01", "--to", "2026-01-01"), 2, "nothing from 2026-02-01 to 2026-01-01"),
        (("--room", "oak", "--from", "soon"), 2, "--from: 'soon' is no date and time."),
        (("--room", "oak", "--from", "2026-03-29T02:30"), 2, "never show 2026-03-29T02:30"),
    ],
)
def test_mistakes_are_sentences(data: Path, options: tuple[str, ...], code: int, says: str) -> None:
    """What cannot be is said with its place and how to mend it, and nothing goes to standard output."""
    result = lumberroom("weeks", data, *options)
    assert (result.exit_code, result.stdout) == (code, "")
    assert says in result.stderr


def test_no_store_is_a_sentence(tmp_path: Path) -> None:
    """A folder without a store is told as such."""
    result = lumberroom("weeks", tmp_path, "--room", "oak")
    assert result.exit_code == 3
    assert FILE_NAME in result.stderr


def test_a_season_is_drawn(data: Path, tmp_path: Path) -> None:
    """The picture is a whole SVG; one that is there is not replaced unless asked."""
    file = tmp_path / "season.svg"
    result = lumberroom("weeks", data, "--room", "oak", "--emc", 6, 9, "--picture", file)
    assert result.exit_code == 0
    assert result.stderr == f"The picture is in {file}.\n"
    assert "Oak store: the EMC of its air" in "".join(ElementTree.parse(file).getroot().itertext())
    again = lumberroom("weeks", data, "--room", "oak", "--picture", file)
    assert again.exit_code == 4
    assert "already there" in again.stderr
    assert lumberroom("weeks", data, "--room", "oak", "--picture", file, "--force").exit_code == 0


def test_a_measured_winter_from_file_to_table(tmp_path: Path) -> None:
    """A recorded file is imported and told week by week: the tour's own commands.

    Data: TRH-tietokanta, CC BY 4.0; see tests/data/measured_room/README.md.
    """
    store = tmp_path / FILE_NAME
    columns = [part for name in ("time=t_UTC+2", "temperature_c=T", "rh_percent=RH") for part in ("--column", name)]
    room = ("--room", "room", "--sensor", "winter-1", "--zone", "+02:00")
    assert lumberroom("import", INDOOR, "--data", store, *room, *columns).exit_code == 0
    result = lumberroom("weeks", store, "--room", "room", "--rh", 30, 50, "--emc", 6, 9)
    assert result.exit_code == 0
    rows = {line.split()[0]: line for line in result.output.splitlines() if line.startswith("202")}
    assert len(rows) == 22
    assert rows["2021-02-08"].split()[-7:] == ["0", "168", "0", "168", "out", "of", "range"]
    assert rows["2021-05-03"].split()[-6:] == ["168", "0", "0", "0", "in", "range"]


def test_help_has_an_example_and_its_limits() -> None:
    """The help names its states, shows how to ask about another floor, and says what it is not."""
    text = " ".join(lumberroom("weeks", "--help").output.split())
    for said in ("lumberroom weeks data --room hall --emc 6 9 --rh 30 50", "briefly out", "not what the wood is"):
        assert said in text


def test_weeks_are_judged_by_the_window_of_their_phase(data: Path, tmp_path: Path) -> None:
    """A phase from the second week on that allows its dry air: by the room's first window that week would be out."""
    dry = AcclimationWindow(rh_percent=Bounds(20.0, 50.0))
    first_day = dt.datetime.fromtimestamp((MONDAY_MS + WEEK_MS) / 1000, ZONE).date().isoformat()
    room = Room("oak", "Oak store", WINDOW, phases=(Phase("in service", first_day, dry),))
    copy = tmp_path / FILE_NAME
    shutil.copyfile(data / FILE_NAME, copy)
    with SqliteStore.open(copy) as store, store.transaction() as work:
        work.save_site(replace(SITE, rooms=(room, *SITE.rooms[1:])), at_ms=MONDAY_MS, by=SETTINGS)
    weeks = json.loads(lumberroom("weeks", tmp_path, "--room", "oak", "--json").stdout)["weeks"]
    assert [week["hours_outside"] for week in weeks[:2]] == [0, 0]
    asked = json.loads(lumberroom("weeks", tmp_path, "--room", "oak", "--rh", "30", "50", "--json").stdout)["weeks"]
    assert asked[1]["hours_outside"] == pytest.approx(168, abs=1)
    said = " ".join(lumberroom("weeks", tmp_path, "--room", "oak").stdout.split())
    assert "from the first day of each phase by that phase's window" in said
