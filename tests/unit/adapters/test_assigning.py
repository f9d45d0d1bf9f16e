"""Assigning a serial device, part by part as the daemon has them, and on the page of a daemon that is a process."""

from __future__ import annotations

import asyncio
import contextlib
import re
import subprocess
import sys
import tomllib
import urllib.request
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import async_playwright, expect

from dashboards.services import Assignment, News
from ingest.clock import SystemClock
from ingest.runtime.assigning import Assigner, entries_of
from ingest.runtime.intake import Intake
from ingest.runtime.live_job import LiveJob
from ingest.runtime.reach import Looking, Surroundings
from ingest.runtime.supervisor import Supervisor
from ingest.settings import reading
from ingest.site.places import Site
from ingest.site.series import SeriesKey
from ingest.store.sqlite_store import SqliteStore

LOFT = "A4:C1:38:00:00:01"
WIRING = """
[site]
name = "Lakeside"
time_zone = "Europe/Berlin"
[page]
port = 0
[[room]]
id = "loft"
title = "Loft"
"""


class House:
    """Store, intake, supervisor, looking and assigner, put together as the daemon does, on ports of the test."""

    def __init__(self, folder: Path, ports: list[str]) -> None:
        self.file = folder / "lumberroom.toml"
        self.file.write_text(WIRING)
        self.store = SqliteStore.open(folder / "lumberroom.sqlite3")
        clock = SystemClock()
        self.live = LiveJob(self.store, clock, reading.load(self.file).site, self.hear)
        self.intake = Intake(self.store, clock, lambda: self.site, lambda *_: [], self.hear)
        self.supervisor = Supervisor((), clock, self.intake.deliver)
        around = Surroundings(
            lambda: [adapter.wiring for adapter in self.supervisor.adapters],
            lambda: entries_of(self.file),
            self.intake.unassigned,
            lambda: self.site,
            clock,
            lambda: list(ports),
        )
        self.looking = Looking(around)
        self.live.write = self.intake.write
        self.assigner = Assigner(self.file, clock, self.live, (self.intake, self.supervisor, self.looking))
        self.news: list[News] = []

    @property
    def site(self) -> Site:
        """The site setup as it stands."""
        return self.live.site

    def hear(self, news: News) -> None:
        """Hear news."""
        self.news.append(news)


@pytest.fixture
async def house(tmp_path: Path, device: Any, bus: str) -> AsyncIterator[House]:
    """All of it running, with a device plugged in that nobody reads."""
    await device.plug()
    made = House(tmp_path, [str(device.path)])
    made.intake.start()
    supervising = asyncio.create_task(made.supervisor.run())
    yield made
    await made.looking.pause()
    supervising.cancel()
    await asyncio.gather(supervising, return_exceptions=True)
    await made.intake.close()
    made.store.close()


async def test_a_serial_device_is_read_by_its_own_adapter_at_once(house: House, device: Any, until: Any) -> None:
    """The looking lets go of the port before the adapter asks for it: no failure in between, and while others look on
    the port stays the adapter's."""
    await house.looking.renew()
    await device.opened()
    await device.send(b'[{"n":"humidity","u":"%RH","v":47}]\n')
    await until(lambda: house.looking.report().sightings)
    (seen,) = house.looking.report().sightings
    await house.assigner.assign(Assignment(seen.id, "loft", "Kay", sensor="loft-2"))
    (entry,) = tomllib.loads(house.file.read_text())["adapter"]
    assert entry == {
        "name": "loft-2",
        "type": "serial_line",
        "port": str(device.path),
        "baud": 115200,
        "sensor": "loft-2",
    }
    await device.opened()
    await house.looking.renew()
    await device.send(b'[{"n":"humidity","u":"%RH","v":48}]\n')
    key = SeriesKey("loft-2", "rh_percent")
    await until(lambda: key in house.store.read.latest([key]))
    status = house.supervisor.adapters[0].status({})
    assert (status.state, status.restarts, status.errors) == ("running", 0, 0)
    assert any("loft" in news.rooms for news in house.news)
    assert not any(str(device.path) in said for said in house.looking.report().troubles)


async def test_a_file_that_cannot_be_written_leaves_its_lines_to_be_copied(
    house: House, device: Any, until: Any
) -> None:
    """The sensor has its room, nothing is started, the file is as it was, and what is left to do is said."""
    house.file.write_text(f"{WIRING}\n[nonsense]\n")
    await house.looking.renew()
    await device.opened()
    await device.send(b'[{"n":"loft-7/humidity","u":"%RH","v":47}]\n')
    await until(lambda: house.looking.report().sightings)
    (seen,) = house.looking.report().sightings
    assigned = await house.assigner.assign(Assignment(seen.id, "loft", "Kay"))
    assert tomllib.loads(assigned.to_copy)["adapter"][0]["port"] == str(device.path)
    assert "Nothing reads it yet" in assigned.done[0]
    assert "there is no such section" in assigned.done[1]
    assert house.file.read_text().endswith("[nonsense]\n")
    assert house.supervisor.adapters == []
    assert house.site.sensor("loft-7") is not None


@pytest.mark.browser
async def test_assigning_by_clicks_on_the_page_of_a_running_daemon(tmp_path: Path, bluez: Any, until: Any) -> None:
    """A daemon as a process, the look-alike's radio, a real browser: opened, the page starts the radio; breathed on,
    the figure moves; after the form the room shows the sensor's readings; closed, the radio is let go on stopping."""
    file = tmp_path / "lumberroom.toml"
    file.write_text(WIRING)
    log = tmp_path / "log"
    with log.open("wb") as written:
        process = subprocess.Popen([sys.executable, "-m", "ingest.cli.main", "run", str(file)], stderr=written)
    try:
        await until(lambda: "Page: http" in log.read_text())
        found = re.search(r"Page: (http://\S+?)/ ", log.read_text())
        assert found is not None
        assert bluez.sessions == set()
        async with async_playwright() as playwright, contextlib.AsyncExitStack() as stack:
            browser = await playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
            stack.push_async_callback(browser.close)
            page = await browser.new_page(base_url=found[1])
            await page.goto("/find-sensors")
            await until(lambda: bluez.sessions)
            entry = page.locator(".sightings .entry", has_text=LOFT)
            await _until_seen(bluez, "bf13", lambda: expect(entry).to_contain_text("50.5 %", timeout=700))
            await _until_seen(
                bluez, "b71a", lambda: expect(entry.locator(".stamp")).to_have_text("rising now", timeout=700)
            )
            await entry.get_by_role("link", name="Assign to room").click()
            await page.get_by_label("Its name").fill("loft-2")
            await page.get_by_label("Room", exact=True).select_option("loft")
            await page.get_by_label("Your name").fill("Kay")
            await page.get_by_role("button", name="Give it this room").click()
            await expect(page.get_by_role("heading", level=1)).to_have_text("It has a room")
            await page.get_by_role("link", name="To Loft").click()
            figure = page.locator(".now .fact-rh_percent b")
            await _until_seen(bluez, "c817", lambda: expect(figure).to_have_text("60.9", timeout=700))
        assert tomllib.loads(file.read_text())["adapter"][0]["sensors"] == {LOFT: "loft-2"}
        health = await asyncio.to_thread(_read, f"{found[1]}/health")
        assert '"name":"loft-2"' in health.replace('": ', '":')
    finally:
        process.terminate()
        await asyncio.to_thread(process.wait, 15)
    assert process.returncode == 0
    await until(lambda: bluez.sessions == set())


async def _until_seen(bluez: Any, humidity: str, look: Any) -> None:
    """Broadcast again and again until the page shows it; the temperature moves a little, so that each is a new one."""
    for number in range(30):
        bluez.advertise(LOFT, bytes.fromhex(f"4002{0xC0 + number:02x}0903{humidity}"), rssi=-60)
        with contextlib.suppress(AssertionError):
            await look()
            return
    await look()


def _read(address: str) -> str:
    with urllib.request.urlopen(address, timeout=10) as answer:
        return str(answer.read().decode())
