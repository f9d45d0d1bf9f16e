"""The adapter that watches a folder, with real files."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract import QUANTITIES, LostDeviceError, Reading, Stamp, Why
from adapters.dropped_files import DroppedFiles
from adapters.framing.csv_rows import CsvForm
from adapters.framing.named_rows import NamedRows, object_of
from adapters.registry import check_settings
from ingest.cli.main import main
from ingest.clock import SystemClock
from ingest.site.actor import SETTINGS
from ingest.site.places import Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An empty folder to drop files into."""
    made = tmp_path / "drops"
    made.mkdir()
    return made


def adapter(folder: Path, **settings: Any) -> DroppedFiles:
    """Make the adapter as the daemon does."""
    given = {"folder": str(folder), "interval_s": 0.05} | settings
    return DroppedFiles(check_settings(DroppedFiles, given), SystemClock())


async def until(condition: Any) -> None:
    """Wait until a condition holds."""
    async with asyncio.timeout(5):
        while not condition():
            await asyncio.sleep(0.01)


async def test_dropped_files_are_read_once_and_put_aside(folder: Path, listen: Any) -> None:
    """CSV and SenML lines, oldest first; what is no such file stays where it is."""
    (folder / "a.csv").write_text("time,sensor,rh_percent\n2026-01-01T00:00Z,loft,47\n2026-01-01T00:10Z,loft,x\n")
    (folder / "b.senml").write_text('[{"n":"attic/humidity","u":"%RH","t":1764064800,"v":51}]\n')
    os.utime(folder / "a.csv", (1, 1))
    (folder / "notes.txt").write_text("hello")
    (folder / ".hidden.csv").write_text("time\n")
    (folder / "c.csv.part").write_text("time\n")
    watching = adapter(folder)
    heard = listen(watching)
    await until((folder / "read" / "b.senml").exists)
    await asyncio.sleep(0.2)
    await heard.stop()
    assert [(r.sensor, r.value, r.stamp) for r in heard.readings] == [
        ("loft", 47.0, Stamp.SENSOR),
        ("attic", 51.0, Stamp.SENSOR),
    ]
    assert watching.health.rejected == {Why.NO_VALUE: 1}
    assert sorted(p.name for p in folder.iterdir()) == [".hidden.csv", "c.csv.part", "notes.txt", "read"]


async def test_a_file_that_still_grows_is_waited_for(folder: Path, listen: Any) -> None:
    """A slow copy is read when it is whole, not in the middle of a row."""
    heard = listen(adapter(folder, interval_s=0.15))
    with (folder / "slow.csv").open("w") as file:
        for part in ("at_ms,sensor,rh", "_percent\n17640", "64800000,loft,4", "7.5\n"):
            file.write(part)
            file.flush()
            await asyncio.sleep(0.08)
    await heard.count(1)
    await until((folder / "read" / "slow.csv").exists)
    await heard.stop()
    assert [r.value for r in heard.readings] == [47.5]


async def test_a_file_that_cannot_be_understood_is_refused_with_the_reason_beside_it(folder: Path, listen: Any) -> None:
    """It does not hold up those that come after it, and its name is never written over."""
    for text in ("what,is,this\n1,2,3\n", "nor,this\n1,2\n"):
        (folder / "odd.csv").write_text(text)
        heard = listen(adapter(folder))
        (folder / "good.csv").write_text("at_ms,sensor,rh_percent\n1764064800000,loft,47\n")
        await heard.count(1)
        await until(lambda: not (folder / "odd.csv").exists())
        await heard.stop()
    assert sorted(p.name for p in (folder / "refused").iterdir()) == [
        "odd-2.csv", "odd-2.csv.why.txt", "odd.csv", "odd.csv.why.txt",
    ]  # fmt: skip
    assert "no column gives the time" in (folder / "refused" / "odd.csv.why.txt").read_text()


async def test_a_file_of_which_not_one_reading_can_be_used_is_refused(folder: Path, listen: Any) -> None:
    """Put aside as read it would be believed to be in the record: the first reason stands beside it."""
    (folder / "odd.jsonl").write_text('{"time": "yesterday", "sensor": "loft", "rh_percent": 47}\n[1]\n')
    (folder / "good.csv").write_text("at_ms,sensor,rh_percent\n1764064800000,loft,47\n1764064860000,loft,147\n")
    heard = listen(adapter(folder))
    await until((folder / "refused" / "odd.jsonl.why.txt").exists)
    await until((folder / "read" / "good.csv").exists)
    await heard.stop()
    told = (folder / "refused" / "odd.jsonl.why.txt").read_text()
    assert told.startswith("not one reading in it could be used; the first of it: time not usable: line 1: time 'yest")


@pytest.mark.parametrize("form", ["csv", "jsonl", "senml"])
async def test_what_export_writes_may_be_dropped_as_it_is(folder: Path, tmp_path: Path, listen: Any, form: str) -> None:
    """Every reading comes back bit for bit, from each form of file that the folder takes."""
    instants = 1_764_064_800_000 + 600_123 * np.arange(40)
    values = 20 + np.sin(np.arange(40)) / 3
    with SqliteStore.open(tmp_path / FILE_NAME) as store, store.transaction() as work:
        site = Site("x", "UTC", 0.0, (Room("hall", "Hall"),), (Sensor("loft", "hall"),))
        work.save_site(site, at_ms=0, by=SETTINGS)
        for quantity, count in (("temperature_c", 40), ("rh_percent", 30)):
            keys = (SeriesKey("loft", quantity),)
            index, none = np.zeros(count, np.int32), np.zeros(count, np.bool_)
            work.append(ReadingBatch(keys, index, instants[:count], values[:count], none), heard_ms=0)
    words = ["export", str(tmp_path), "--format", form, "--output", str(folder / f"own.{form}")]
    assert CliRunner().invoke(main, words).exit_code == 0
    watching = adapter(folder)
    heard = listen(watching)
    await heard.count(70)
    await heard.stop()
    assert watching.health.rejected == {}
    told = {(r.sensor, r.quantity, r.at_ms): r.value for r in heard.readings}
    assert told == {
        ("loft", quantity, int(instants[n])): values[n]
        for quantity, count in (("temperature_c", 40), ("rh_percent", 30))
        for n in range(count)
    }


COLUMN_NAMES = st.sampled_from(["time", "sensor", "rh_percent", "temperature_f", "x"])
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(COLUMN_NAMES, inner, max_size=5),
)


@given(st.binary(max_size=60) | JSON.map(lambda value: json.dumps(value).encode()))
def test_no_object_gives_a_reading_out_of_range(line: bytes) -> None:
    """Whatever a line holds, readings lie in their ranges and what is wrong is said; nothing is raised."""
    row = object_of(line)
    if not isinstance(row, Why):
        for reading in NamedRows(CsvForm(sensor="loft")).read(row, 1, "line 1").readings:
            quantity = QUANTITIES[reading.quantity]
            assert quantity.minimum <= reading.value <= quantity.maximum


async def test_links_and_pipes_are_left_alone(folder: Path, tmp_path: Path, listen: Any) -> None:
    """A link to somebody's file is not followed, a pipe is not waited for."""
    secret = tmp_path / "secret.csv"
    secret.write_text("at_ms,sensor,rh_percent\n1764064800000,secret,47\n")
    (folder / "link.csv").symlink_to(secret)
    os.mkfifo(folder / "pipe.csv")
    (folder / "good.csv").write_text("at_ms,sensor,rh_percent\n1764064800000,loft,47\n")
    heard = listen(adapter(folder))
    await heard.count(1)
    await asyncio.sleep(0.2)
    await heard.stop()
    assert {r.sensor for r in heard.readings} == {"loft"}
    assert (folder / "link.csv").is_symlink()


async def test_a_folder_that_goes_and_comes_back(folder: Path, listen: Any) -> None:
    """A stick that is pulled out is a typed error; back again, a new run reads it."""
    heard = listen(adapter(folder))
    await asyncio.sleep(0.1)
    folder.rename(folder.with_name("gone"))
    with pytest.raises(LostDeviceError, match="there is no such folder"):
        await asyncio.wait_for(heard.task, 5)
    folder.with_name("gone").rename(folder)
    (folder / "good.csv").write_text("at_ms,sensor,rh_percent\n1764064800000,loft,47\n")
    again = listen(adapter(folder))
    await again.count(1)
    await again.stop()


async def test_files_in_the_forms_that_offices_write(folder: Path, listen: Any) -> None:
    """Semicolons, decimal commas, Fahrenheit, a day-first date, local time, a header that comes again, gaps."""
    (folder / "office.csv").write_text(
        "\ufeffDatum;Temp;Feuchte\n01.07.2026 14:30;70,7;47,5\nDatum;Temp;Feuchte\n01.07.2026 14:40;;48,0\n"
    )
    columns = {"Datum": "time", "Temp": "temperature_f", "Feuchte": "rh_percent"}
    form = {"columns": columns, "time_format": "%d.%m.%Y %H:%M", "zone": "Europe/Berlin", "sensor": "loft"}
    watching = adapter(folder, **form)
    heard = listen(watching)
    await heard.count(3)
    await heard.stop()
    assert [(r.quantity, round(r.value, 6), r.at_ms) for r in sorted(heard.readings)] == [
        ("rh_percent", 47.5, 1_782_909_000_000),  # 12:30 UTC
        ("rh_percent", 48.0, 1_782_909_600_000),
        ("temperature_c", 21.5, 1_782_909_000_000),
    ]
    assert watching.health.rejected == {}


async def test_a_copy_that_stalls_is_read_to_its_end(tmp_path) -> None:
    """Two rows, a long pause, the rest: the file was put aside meanwhile, is brought back and read whole."""
    taken: list[Reading] = []
    adapter = DroppedFiles(
        check_settings(DroppedFiles, {"folder": str(tmp_path), "sensor": "a", "interval_s": 0.05}), SystemClock()
    )

    async def take() -> None:
        async for batch in adapter.readings():
            taken.extend(batch)

    task = asyncio.create_task(take())
    with (tmp_path / "log.csv").open("w") as copy:
        copy.write("time,temperature_c\n2026-01-01T00:00:00Z,20.0\n2026-01-01T00:01:00Z,20.1\n")
        copy.flush()
        async with asyncio.timeout(10):
            while not (tmp_path / "read" / "log.csv").exists():
                await asyncio.sleep(0.02)
        copy.writelines(f"2026-01-01T00:{minute:02d}:00Z,20.5\n" for minute in range(2, 60))
    async with asyncio.timeout(10):
        while len({one.at_ms for one in taken}) < 60:
            await asyncio.sleep(0.02)
        while (tmp_path / "log.csv").exists():
            await asyncio.sleep(0.02)
    assert len((tmp_path / "read" / "log.csv").read_text().splitlines()) == 61
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
