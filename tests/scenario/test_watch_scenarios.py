"""Days in rooms, as data: readings in, incidents out, with the reason in words.

A story is one reading a minute: "60x 21/45" is an hour of 21 °C and 45 % RH; "60x 21/45>65" goes there in even steps;
"-/45" leaves the temperature out; "gap 40" is 40 minutes of nothing. Minutes count from the first. The readings go
through the real store, one batch every 10 minutes, as from a gateway that sends in packs.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from adapters.contract import Reading, Stamp
from ingest.site.incidents import Incident, IncidentKind, RoomState
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import judge_readings
from ingest.watch.standing import standing

START_MS = 1_795_600_800_000  # Wed 25 Nov 2026, 10:00 UTC
MINUTE_MS = 60_000
WINDOW = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0), dwell_s=1800, return_dwell_s=1800)
EMC_WINDOW = AcclimationWindow(emc_percent=Bounds(6.0, 9.0), dwell_s=1800, return_dwell_s=1800)


@dataclass(frozen=True)
class Told:
    """An incident that must be there, in minutes; quantity, worst value and words of its reason."""

    began: int
    opened: int
    closed: int | None
    quantity: str
    worst: float
    says: str
    sensor: str = "a"


@dataclass(frozen=True)
class Scenario:
    """What happened, and what must come of it."""

    title: str
    stories: dict[str, str]
    told: tuple[Told, ...] = ()
    ends: RoomState = RoomState.WITHIN
    why: str = ""
    window: AcclimationWindow = field(default=WINDOW)


def rh(began: int, opened: int, closed: int | None, worst: float, says: str, sensor: str = "a") -> Told:
    return Told(began, opened, closed, "rh_percent", worst, says, sensor)


SCENARIOS = [
    Scenario(
        "an ordinary day",
        {"a": "600x 21/45>50"},
        why='Temperature 21.0 °C (window 18 to 24 °C) and RH 50.0 % (window 35 to 55 %) at the sensor "north wall"',
    ),
    Scenario("a door opened for five minutes", {"a": "60x 21/45; 5x 16/70; 60x 21/45"}),
    Scenario("a spike of one reading", {"a": "60x 21/45; 1x 21/99; 60x 21/45"}),
    Scenario("one minute short of the dwell time", {"a": "60x 21/45; 30x 21/60; 60x 21/45"}),
    Scenario(
        "exactly the dwell time",
        {"a": "60x 21/45; 31x 21/60; 31x 21/45"},
        (rh(60, 90, 121, 60.0, 'RH at the sensor "north wall" was above 55 %, 60.0 % at worst'),),
    ),
    Scenario(
        "still drifting",
        {"a": "60x 21/45; 20x 21/60"},
        ends=RoomState.DRIFTING,
        why='RH at the sensor "north wall" has been above 55 % since 12:00, 60.0 % at worst; it counts '
        "once it has lasted 30 min",
    ),
    Scenario(
        "the heating fails on a Friday evening (an open incident's worst is written in steps of a quarter margin)",
        {"a": "60x 21/45; 600x 21>8/45>62"},
        (
            Told(
                199,
                229,
                None,
                "temperature_c",
                8.0,
                'temperature at the sensor "north wall" has been below 18 °C since',
            ),
        ),
        RoomState.OUT,
        "RH outside as well",
    ),
    Scenario(
        "RH out while the temperature stays in",
        {"a": "60x 21/45; 120x 21/30; 60x 21/45"},
        (rh(60, 90, 210, 30.0, 'RH at the sensor "north wall" was below 35 %, 30.0 % at worst'),),
    ),
    Scenario(
        "out of the window through one bound after the other",
        {"a": "60x 21/45; 20x 21/60; 20x 26/50; 60x 21/45"},
        (rh(60, 90, 130, 60.0, "out of its window from Wed 25 Nov 2026, 12:00 CET to Wed 25 Nov 2026, 13:10 CET"),),
    ),
    Scenario(
        "flapping at the bound, never out for long",
        {"a": "60x 21/45; " + "7x 21/55.4; 3x 21/54.9; " * 12 + "30x 21/45"},
    ),
    Scenario(
        "flapping at the bound while out keeps one incident",
        {"a": "60x 21/45; 40x 21/58; " + "5x 21/54.9; 5x 21/55.2; " * 6 + "31x 21/45"},
        (rh(60, 90, 190, 58.0, "58.0 % at worst"),),
    ),
    Scenario(
        "inside but not by the margin is not yet back",
        {"a": "60x 21/45; 60x 21/60; 90x 21/54.5"},
        (rh(60, 90, None, 60.0, "above 55 % since Wed 25 Nov 2026, 12:00 CET"),),
        RoomState.OUT,
        "not yet back inside by the margin",
    ),
    Scenario(
        "returning and leaving again",
        {"a": "60x 21/45; 60x 21/60; 20x 21/45; 10x 21/65; 31x 21/45"},
        (rh(60, 90, 180, 65.0, "65.0 % at worst (Wed 25 Nov 2026, 13:20 CET)"),),
    ),
    Scenario(
        "returning, not yet back for long enough",
        {"a": "60x 21/45; 60x 21/60; 20x 21/45"},
        (rh(60, 90, None, 60.0, "has been above 55 %"),),
        RoomState.RETURNING,
        "the incident closes once that has lasted 30 minutes",
    ),
    Scenario(
        "wavering between margin and bound while returning does not start the return anew",
        {"a": "60x 21/45; 60x 21/60; 20x 21/53; 9x 21/54.6; 10x 21/53"},
        (rh(60, 90, 150, 60.0, "60.0 % at worst"),),
    ),
    Scenario(
        "a gap in the middle of a drift: neither side of it is long enough",
        {"a": "60x 21/45; 20x 21/60; gap 60; 20x 21/60; 10x 21/45"},
    ),
    Scenario(
        "a gap in the middle of a drift that then lasts",
        {"a": "60x 21/45; 20x 21/60; gap 60; 31x 21/60"},
        (rh(140, 170, None, 60.0, "has been above 55 % since Wed 25 Nov 2026, 13:20 CET"),),
        RoomState.OUT,
    ),
    Scenario(
        "a short gap breaks nothing",
        {"a": "60x 21/45; 10x 21/60; gap 15; 10x 21/60"},
        (rh(60, 90, None, 60.0, "since Wed 25 Nov 2026, 12:00 CET"),),
        RoomState.OUT,
    ),
    Scenario(
        "an incident stays open over a gap, and the return starts after it",
        {"a": "60x 21/45; 60x 21/60; 20x 21/45; gap 90; 25x 21/45"},
        (rh(60, 90, None, 60.0, "60.0 % at worst"),),
        RoomState.RETURNING,
    ),
    Scenario(
        "an incident that a gap delayed closes in the end",
        {"a": "60x 21/45; 60x 21/60; 20x 21/45; gap 90; 31x 21/45"},
        (rh(60, 90, 260, 60.0, "60.0 % at worst"),),
    ),
    Scenario(
        "two incidents of one afternoon",
        {"a": "30x 21/45; 40x 21/60; 40x 21/45; 40x 21/25; 40x 21/45"},
        (rh(30, 60, 100, 60.0, "above 55 %"), rh(110, 140, 180, 25.0, "below 35 %, 25.0 % at worst")),
    ),
    Scenario(
        "only the EMC is bound: damp air moves it, whatever RH and temperature may do",
        {"a": "60x 21/45; 120x 21/65; 60x 21/45"},
        (Told(60, 90, 210, "emc_percent", 12.0, 'EMC at the sensor "north wall" was above 9 %, 12.0 % at worst'),),
        window=EMC_WINDOW,
    ),
    Scenario(
        "only the EMC is bound and no RH comes: nothing can be judged",
        {"a": "60x 30/-"},
        ends=RoomState.UNKNOWN,
        why='Nothing that its window bounds has been heard from the sensor "north wall" yet.',
        window=EMC_WINDOW,
    ),
    Scenario(
        "two sensors, one of them in a damp corner",
        {"a": "200x 21/45", "b": "60x 21/45; 60x 21/60; 80x 21/45"},
        (rh(60, 90, 150, 60.0, 'RH at the sensor "b" was above 55 %', "b"),),
    ),
    Scenario(
        "two sensors out one after the other are one incident",
        {"a": "60x 21/45; 60x 21/58; 120x 21/45", "b": "100x 21/45; 80x 21/70; 60x 21/45"},
        (rh(60, 90, 210, 70.0, "70.0 % at worst"),),
    ),
    Scenario(
        "two sensors never out long enough by themselves are no incident together",
        {"a": "60x 21/45; 25x 21/60; 60x 21/45", "b": "80x 21/45; 25x 21/60; 40x 21/45"},
    ),
    Scenario(
        "a sensor without humidity, too cold",
        {"a": "60x 21/-; 60x 15/-; 31x 20/-"},
        (
            Told(
                60,
                90,
                150,
                "temperature_c",
                15.0,
                'temperature at the sensor "north wall" was below 18 °C, 15.0 °C at worst',
            ),
        ),
    ),
    Scenario(
        "temperature and RH sent in turns: being outside is not forgotten in between",
        {"a": "60x 21/45; " + "1x 21/-; 1x -/60; " * 16 + "32x 21/45"},
        (rh(61, 91, 122, 60.0, "60.0 % at worst"),),
    ),
    Scenario(
        "the humidity falls silent while it is out: the temperature alone closes nothing",
        {"a": "60x 21/45; 60x 21/60; 120x 21/-"},
        (rh(60, 90, None, 60.0, "has been above 55 %"),),
        RoomState.OUT,
    ),
    Scenario(
        "a window narrower than its margins can be returned to",
        {"a": "60x 21/45; 60x 21/60; 31x 21/45"},
        (rh(60, 90, 150, 60.0, "above 45.8 %"),),
        window=AcclimationWindow(rh_percent=Bounds(44.2, 45.8)),
    ),
    Scenario(
        "on the bound is inside",
        {"a": "60x 24/55; 60x 18/35"},
    ),
]


def minutes(story: str) -> Iterator[tuple[int, float | None, float | None]]:
    """Give minute, temperature and RH of every reading of a story."""
    at = 0
    for part in filter(None, (part.strip() for part in story.split(";"))):
        if part.startswith("gap"):
            at += int(part.split()[1])
            continue
        count, temperature, humidity = re.fullmatch(r"(\d+)x (\S+)/(\S+)", part).groups()  # type: ignore[union-attr]
        for step in range(int(count)):
            yield at, along(temperature, step, int(count)), along(humidity, step, int(count))
            at += 1


def along(values: str, step: int, count: int) -> float | None:
    """Give the value at a step of "45", "45>65" or "-"."""
    if values == "-":
        return None
    first, _, last = values.partition(">")
    return float(first) + (float(last or first) - float(first)) * step / max(count - 1, 1)


def readings(stories: dict[str, str]) -> list[Reading]:
    """Give all readings of a scenario in order of time."""
    found = []
    for sensor, story in stories.items():
        for at, temperature, humidity in minutes(story):
            for quantity, value in (("temperature_c", temperature), ("rh_percent", humidity)):
                if value is not None:
                    found.append(Reading(sensor, quantity, value, START_MS + at * MINUTE_MS, Stamp.SENSOR))
    return sorted(found, key=lambda reading: reading.at_ms)


def site_of(scenario: Scenario) -> Site:
    titles = {"a": "north wall"}
    sensors = tuple(Sensor(name, "store", Place.AIR, titles.get(name, "")) for name in scenario.stories)
    return Site("An invented site", "Europe/Berlin", rooms=(Room("store", "Store", scenario.window),), sensors=sensors)


def live_through(store: SqliteStore, site: Site, found: list[Reading], pack_minutes: int = 10) -> list[Incident]:
    """Put readings through store and watch in packs; give what the watch told, in the order of telling."""
    told = []
    packs: dict[int, list[Reading]] = {}
    for reading in found:
        packs.setdefault((reading.at_ms - START_MS) // (pack_minutes * MINUTE_MS), []).append(reading)
    for pack in packs.values():
        batch, now_ms = ReadingBatch.of(pack), pack[-1].at_ms
        with store.transaction() as work:
            work.append(batch, heard_ms=now_ms)
            told += judge_readings(work, site, batch, now_ms=now_ms)
    return told


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.title.replace(" ", "-"))
def test_readings_in_incidents_out(scenario: Scenario, tmp_path: Path) -> None:
    """Each story makes exactly its incidents, at their minutes, with their worst value and reason in words."""
    site = site_of(scenario)
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        found = readings(scenario.stories)
        live_through(store, site, found)
        incidents = sorted(store.read.incidents(), key=lambda incident: incident.opened_ms)
        told = [
            as_told(incident, expected.says if expected else "") for incident, expected in paired(incidents, scenario)
        ]
        assert told == list(scenario.told)
        stands = standing(store.read, site, "store", now_ms=found[-1].at_ms)
        assert stands.state is scenario.ends
        assert scenario.why in stands.reason


def paired(incidents: list[Incident], scenario: Scenario) -> list[tuple[Incident, Told | None]]:
    expected = [*scenario.told, *([None] * len(incidents))]
    return list(zip(incidents, expected, strict=False))


def as_told(incident: Incident, says: str) -> Told:
    assert incident.kind is IncidentKind.WINDOW
    assert incident.quantity is not None
    assert incident.worst_value is not None
    return Told(
        (incident.began_ms - START_MS) // MINUTE_MS,
        (incident.opened_ms - START_MS) // MINUTE_MS,
        None if incident.closed_ms is None else (incident.closed_ms - START_MS) // MINUTE_MS,
        incident.quantity,
        round(incident.worst_value, 1),
        says if says.lower() in incident.reason.lower() else incident.reason,
        incident.sensor,
    )
