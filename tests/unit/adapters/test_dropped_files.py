"""The adapter that watches a folder, with real files."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Any

import pytest

from adapters.contract import LostDeviceError, Stamp, Why
from adapters.dropped_files import DroppedFiles
from adapters.registry import check_settings
from ingest.clock import SystemClock


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
