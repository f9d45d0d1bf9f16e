"""`lumberroom log`: every entry with who made it, narrowed by kind and subject, whole as JSON lines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from ingest.cli.main import commands, main
from ingest.site.actor import SETTINGS, Actor, Where
from ingest.site.handling import Handling
from ingest.site.places import Room, Site
from ingest.store.record.kinds import HANDLING
from ingest.store.sqlite_store import SqliteStore

SITE = Site("Mill Lane (invented)", "Europe/Berlin", rooms=(Room("loft", "Loft"),))


@pytest.fixture
def store_file(tmp_path: Path) -> Path:
    """A store with a site setup that was changed, and an incident that somebody acknowledged."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store, store.transaction() as work:
        work.save_site(SITE, at_ms=1_000, by=SETTINGS)
        work.put(HANDLING, Handling("loft.window.1", 2_000, "Mara"), at_ms=2_000, by=Actor(Where.PAGE, "Mara"))
        work.save_site(Site("Mill Lane", "Europe/Berlin"), at_ms=3_000, by=Actor(Where.COMMAND, "root"))
    return tmp_path


def log(*words: object) -> Result:
    return CliRunner().invoke(main, ["log", *map(str, words)])


def test_who_changed_what_and_when_in_the_sites_time(store_file: Path) -> None:
    """One line an entry: number, when, about what, by whom, and the beginning of its check code."""
    lines = log(store_file).stdout.splitlines()
    assert [line.split("  ")[:3] for line in lines] == [
        ["1", "Thu 1 Jan 1970, 01:00 CET", "site: the settings file"],
        ["2", "Thu 1 Jan 1970, 01:00 CET", "handling loft.window.1: Mara, on a page"],
        ["3", "Thu 1 Jan 1970, 01:00 CET", "site: root, on the command line"],
    ]


def test_whole_entries_follow_from_each_other(store_file: Path) -> None:
    """As JSON lines each has its body, its check code and that of the one before; narrowed by kind and subject."""
    entries = [json.loads(line) for line in log(store_file, "--json").stdout.splitlines()]
    assert [one["previous"] for one in entries[1:]] == [one["hash"] for one in entries[:-1]]
    assert entries[1]["body"]["acknowledged_by"] == "Mara"
    only = log(store_file, "--json", "--kind", "handling", "--subject", "loft.window.1").stdout
    assert [json.loads(only)["number"]] == [2]
    assert "No entry" in log(store_file, "--kind", "nothing").stderr


def test_every_command_is_one_module_that_says_its_place() -> None:
    """What stands in the folder is in the help, in the order of the places, with nothing to be listed elsewhere."""
    folder = Path(__file__).parents[3] / "ingest" / "cli" / "commands"
    assert len(commands()) == len([path for path in folder.glob("*.py") if path.stem != "__init__"]) >= 20
    told = CliRunner().invoke(main, ["--help"]).stdout
    places = [told.index(f"\n  {name} ") for name in commands()]
    assert places == sorted(places)
