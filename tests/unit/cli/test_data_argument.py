"""What commands take as DATA: a folder, the file in it, or the settings file that names it; and its units."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from adapters.contract import Reading, Stamp
from ingest.cli.main import main
from ingest.cli.site_data import site_data, store_file
from ingest.site.actor import SETTINGS
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

SITE = Site(
    "House", "Europe/Berlin", rooms=(Room("hall", "Hall", AcclimationWindow(Bounds(16.0, 24.0))),),
    sensors=(Sensor("hall-1", "hall"),),
)  # fmt: skip
WIRING = """[site]
name = "House"
time_zone = "Europe/Berlin"
units = "us"
[data]
directory = "kept"
[[room]]
id = "hall"
[room.window]
temperature_c = [16, 24]
[[room.sensor]]
id = "hall-1"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A folder, the present one meanwhile, with a settings file in US units and a small store under `kept`."""
    (tmp_path / "kept").mkdir()
    (tmp_path / "lumberroom.toml").write_text(WIRING)
    readings = [
        Reading("hall-1", quantity, value, 1_780_000_000_000 + minute * 60_000, Stamp.SENSOR)
        for minute in range(10)
        for quantity, value in (("temperature_c", 20.0), ("rh_percent", 45.0))
    ]
    with SqliteStore.open(tmp_path / "kept" / FILE_NAME) as store, store.transaction() as work:
        work.save_site(SITE, at_ms=1, by=SETTINGS)
        work.append(ReadingBatch.of(readings), heard_ms=1, live=False)
    before = Path.cwd()
    os.chdir(tmp_path)
    yield tmp_path
    os.chdir(before)


def lumberroom(*arguments: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.mark.parametrize("named", ["kept", f"kept/{FILE_NAME}", "lumberroom.toml"])
def test_every_way_to_name_a_store_is_taken_by_every_command(folder: Path, named: str) -> None:
    """By folder, file and settings file: each command finds the same store."""
    stretch = ("--sensor", "hall-1", "--quantity", "rh_percent", "--from", "2026-05-28", "--to", "2026-05-29")
    for command in (
        ("doctor", named),
        ("backup", named, folder / "copy.sqlite3"),
        ("export", named, "--output", folder / "all.csv"),
        ("buckets", named, *stretch),
        ("weeks", named, "--room", "hall"),
        ("incidents", "list", named),
        ("site", "export", "--data", named),
        ("import", folder / "all.csv", "--data", named),
    ):
        done = lumberroom(*command)
        assert done.exit_code == 0, (command, done.output)


def test_a_name_that_is_not_there_means_a_folder(folder: Path) -> None:
    """An import into a folder that is not there is refused, and leaves no file of that name."""
    (folder / "hall.csv").write_text("time,sensor,rh_percent\n2026-01-01T00:00:00Z,hall-1,45\n")
    done = lumberroom("import", "hall.csv", "--data", "nowhere")
    assert done.exit_code == 3
    assert "nowhere: this folder does not exist. Make it" in done.output
    assert not (folder / "nowhere").exists()
    assert store_file(folder / "other.sqlite3") == folder / "other.sqlite3"


def test_weeks_are_shown_in_the_units_of_the_site(folder: Path) -> None:
    """The settings file's, named or lying here beside it; --units goes before; a store of another job keeps SI."""
    for named in ("lumberroom.toml", "kept", f"kept/{FILE_NAME}"):
        assert "temperature 60.8 to 75.2 °F" in lumberroom("weeks", named, "--room", "hall").output
    assert "temperature 16 to 24 °C" in lumberroom("weeks", "kept", "--room", "hall", "--units", "si").output
    other = folder / "other.sqlite3"
    assert lumberroom("backup", "kept", other).exit_code == 0
    assert "temperature 16 to 24 °C" in lumberroom("weeks", other, "--room", "hall").output
    (folder / "lumberroom.toml").write_text("[site")
    assert site_data(Path("kept")).units is None


def test_a_sensor_that_is_not_known_is_told_and_is_no_silence(folder: Path) -> None:
    """Buckets of a misspelt sensor would all be empty."""
    stretch = ("--from", "2026-05-28", "--to", "2026-05-29")
    done = lumberroom("buckets", "kept", "--sensor", "hal-1", "--quantity", "rh_percent", *stretch)
    assert done.exit_code == 2
    assert "--sensor: there is no sensor 'hal-1'. There are: hall-1." in done.output
