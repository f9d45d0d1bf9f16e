"""A real room through a northern winter, line by line through the serial adapter into the store, and what it tells.

Data: TRH-tietokanta (the TRH database), measurement R1, indoor air, CC BY 4.0; see tests/data/measured_room/README.md.
The file's times are local standard time (UTC+2), and so are the months and weeks here.
"""

from __future__ import annotations

import asyncio
import csv
import datetime as dt
import json
import os
import pty
import subprocess
import sys
import tty
from collections.abc import Iterator
from contextlib import aclosing
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from adapters.registry import check_settings
from adapters.serial_line import SerialLine
from ingest.clock import SystemClock
from ingest.runtime.intake import Intake
from ingest.site.actor import SETTINGS
from ingest.site.incidents import IncidentKind
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import Series, SeriesKey
from ingest.store.api import StoreReader
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import judge_readings

INDOOR = Path(__file__).parents[1] / "data" / "measured_room" / "indoor.csv"
ZONE = dt.timezone(dt.timedelta(hours=2))
HOUR_MS = 3_600_000
SENSOR = "winter-1"
# What is commonly asked of a room for wood flooring; common practice, no source. The tour uses the same figures.
WINDOW = AcclimationWindow(rh_percent=Bounds(30.0, 50.0), emc_percent=Bounds(6.0, 9.0))
SITE = Site(
    "A measured room",
    time_zone="Etc/GMT-2",
    rooms=(Room("room", "The room", WINDOW),),
    sensors=(Sensor(SENSOR, "room"),),
)
# What the far end of the line does: a device that prints one SenML pack a line, as fast as the line takes them.
DEVICE = """
import os, sys
out = os.fdopen(int(sys.argv[1]), "wb")
for line in sys.stdin.buffer:
    out.write(line)
    out.flush()
"""


class Winter(NamedTuple):
    """What was sent, and the store that it went into."""

    at_ms: list[int]
    temperature_c: list[float]
    rh_percent: list[float]
    store: SqliteStore


def recorded() -> tuple[list[int], list[float], list[float]]:
    """Read the file: instants (UTC ms), °C, %."""
    with INDOOR.open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    at_ms = [int(dt.datetime.fromisoformat(time).replace(tzinfo=ZONE).timestamp()) * 1000 for time, _, _ in rows]
    return at_ms, [float(t) for _, t, _ in rows], [float(rh) for _, _, rh in rows]


def lines(at_ms: list[int], temperature_c: list[float], rh_percent: list[float]) -> bytes:
    """Write the readings as a device would print them: one pack a line."""
    packs = []
    for at, t, rh in zip(at_ms, temperature_c, rh_percent, strict=True):
        both = [{"n": "temperature", "u": "Cel", "v": t}, {"n": "humidity", "u": "%RH", "v": rh}]
        packs.append(json.dumps([{"bn": f"{SENSOR}/", "bt": at // 1000, **both[0]}, both[1]]))
    return ("\n".join(packs) + "\n").encode()


# What arrives before a port is open is thrown away, rightly: so the far end knocks until it is heard, then speaks.
KNOCK = b'[{"n":"knock","u":"Cel","v":0}]\n'


async def knock(far_end: int, heard: asyncio.Event) -> None:
    """Write a line of nobody's again and again until something of it comes out."""
    while not heard.is_set():
        os.write(far_end, KNOCK)
        await asyncio.sleep(0.02)


async def take_all(store: SqliteStore, port: str, readings: int, heard: asyncio.Event) -> None:
    """Run the serial adapter into intake, as the daemon does, until so many readings are durable."""
    clock = SystemClock()
    intake = Intake(
        store,
        clock,
        lambda: SITE,
        lambda work, site, batch, now_ms: judge_readings(work, site, batch, now_ms=now_ms),
        lambda news: None,
    )
    intake.start()
    adapter = SerialLine(check_settings(SerialLine, {"port": port}), clock)
    taken = 0
    async with asyncio.timeout(100), aclosing(adapter.readings()) as batches:
        async for batch in batches:
            heard.set()
            await intake.deliver(batch, "serial")
            taken += sum(reading.sensor == SENSOR for reading in batch)
            if taken >= readings:
                break
    await intake.close()
    assert adapter.health.rejected == {}
    assert intake.health.stored == readings


@pytest.fixture(scope="module")
def winter(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Winter]:
    """The whole winter, sent by a process of its own over a pseudo-terminal into a real store."""
    at_ms, temperature_c, rh_percent = recorded()
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    device = subprocess.Popen([sys.executable, "-c", DEVICE, str(ours)], stdin=subprocess.PIPE, pass_fds=(ours,))
    store = SqliteStore.open(tmp_path_factory.mktemp("winter") / FILE_NAME)
    with store.transaction() as work:
        work.save_site(SITE, at_ms=at_ms[0], by=SETTINGS)

    async def send_and_take() -> None:
        assert device.stdin is not None
        text = lines(at_ms, temperature_c, rh_percent)
        heard = asyncio.Event()
        taking = asyncio.create_task(take_all(store, os.ttyname(theirs), 2 * len(at_ms), heard))
        await knock(ours, heard)
        await asyncio.to_thread(device.communicate, text)
        await taking

    asyncio.run(send_and_take())
    os.close(ours)
    os.close(theirs)
    yield Winter(at_ms, temperature_c, rh_percent, store)
    store.close()


def hours_of(reader: StoreReader, quantity: str, first_ms: int, last_ms: int) -> Series:
    """Give the hourly means of a quantity from the store; hours without a reading are left out."""
    start = first_ms - first_ms % HOUR_MS
    edges = np.arange(start, last_ms + HOUR_MS + 1, HOUR_MS, dtype=np.int64)
    buckets = reader.buckets(SeriesKey(SENSOR, quantity), edges)
    there = buckets.count > 0
    return Series(edges[:-1][there], buckets.mean[there])


def by(hours: Series, form: str) -> dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Group hourly means by a strftime form of their local time."""
    names = np.array([dt.datetime.fromtimestamp(at / 1000, ZONE).strftime(form) for at in hours.at_ms.tolist()])
    return {str(name): hours.value[names == name] for name in np.unique(names)}


def test_every_pair_arrives_bit_for_bit(winter: Winter) -> None:
    """All 21,365 pairs that the device printed are in the store, at their instants, with the very same doubles."""
    assert len(winter.at_ms) == 21_365
    for quantity, sent in (("temperature_c", winter.temperature_c), ("rh_percent", winter.rh_percent)):
        series = winter.store.read.read(SeriesKey(SENSOR, quantity), winter.at_ms[0], winter.at_ms[-1] + 1)
        assert series.at_ms.tolist() == winter.at_ms
        assert series.value.tobytes() == np.array(sent).tobytes()


def test_monthly_emc_is_that_of_the_file(winter: Winter) -> None:
    """The mean of the hourly EMC of each month, from the store, is that worked out from the file by plain arithmetic.

    The figures in words are those of the tour; they hold to the digit printed.
    """
    reader = winter.store.read
    months = by(hours_of(reader, "emc_percent", winter.at_ms[0], winter.at_ms[-1]), "%Y-%m")
    plain: dict[str, dict[int, list[float]]] = {}
    for at, t, rh in zip(winter.at_ms, winter.temperature_c, winter.rh_percent, strict=True):
        month = dt.datetime.fromtimestamp(at / 1000, ZONE).strftime("%Y-%m")
        plain.setdefault(month, {}).setdefault(at // HOUR_MS, []).append(emc_percent(t, rh / 100.0))
    assert list(months) == list(plain)
    for month, hours in plain.items():
        means = [sum(values) / len(values) for values in hours.values()]
        assert float(months[month].mean()) == pytest.approx(sum(means) / len(means), rel=1e-12)
    told = {"2020-12": 8.7, "2021-01": 7.1, "2021-02": 5.7, "2021-03": 7.2, "2021-04": 7.8, "2021-05": 8.7}
    assert {month: round(float(values.mean()), 1) for month, values in months.items()} == told


def emc_percent(temperature_c: float, rh: float) -> float:
    """Work out EMC [%] by the Wood Handbook's Eq. 4-5 (FPL-GTR-282), °C form.  rh: a fraction."""
    t = temperature_c
    w = 349 + 1.29 * t + 0.0135 * t * t
    k = 0.805 + 0.000736 * t - 0.00000273 * t * t
    k1 = 6.27 - 0.00938 * t - 0.000303 * t * t
    k2 = 1.91 + 0.0407 * t - 0.000293 * t * t
    x = k * rh
    return 1800 / w * (x / (1 - x) + (k1 * x + 2 * k1 * k2 * x * x) / (1 + k1 * x + k1 * k2 * x * x))


def test_weeks_in_which_a_floor_should_not_have_been_laid(winter: Winter) -> None:
    """Which weeks went out of range, in either quantity, for more than a day, or for most of their hours.

    Hourly means against 6 to 9 % EMC and 30 to 50 % RH; ISO weeks of local standard time. What the room's air was is
    measured; that a floor should not be laid in such a week is the usual caution, and the floor maker's word counts.
    """
    span = (winter.at_ms[0], winter.at_ms[-1])
    emc, rh = (by(hours_of(winter.store.read, name, *span), "%G-W%V") for name in ("emc_percent", "rh_percent"))
    outside = {week: int(((emc[week] < 6) | (emc[week] > 9) | (rh[week] < 30) | (rh[week] > 50)).sum()) for week in emc}
    most = [week for week, hours in outside.items() if hours > len(emc[week]) / 2]
    assert most == ["2020-W51", "2021-W02", "2021-W05", "2021-W06", "2021-W07", "2021-W19"]
    a_day = [week for week, hours in outside.items() if hours > 24 and week not in most]
    assert a_day == ["2020-W52", "2021-W04", "2021-W08", "2021-W09", "2021-W10", "2021-W11"]
    assert float(rh["2021-W06"].max()) < 30.0  # never inside for a whole week


def test_the_watch_told_of_the_long_dry_spell(winter: Winter) -> None:
    """The watch opened one incident for the three weeks of dry air in February, and it closed when they ended."""
    spells = [incident for incident in winter.store.read.incidents() if incident.kind is IncidentKind.WINDOW]
    longest = max(spells, key=lambda incident: (incident.closed_ms or 0) - incident.began_ms)
    assert longest.closed_ms is not None
    began, closed = (dt.datetime.fromtimestamp(at / 1000, ZONE) for at in (longest.began_ms, longest.closed_ms))
    assert (began.date(), closed.date()) == (dt.date(2021, 1, 30), dt.date(2021, 2, 20))
    assert longest.quantity == "rh_percent"
    # The file's driest reading: 12.17 % on 18 February 2021, 10:35.
    assert longest.worst_value == min(winter.rh_percent)
    assert longest.worst_at_ms == winter.at_ms[winter.rh_percent.index(min(winter.rh_percent))]
