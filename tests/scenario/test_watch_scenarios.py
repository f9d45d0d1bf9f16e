"""Days in rooms, as data: readings in, incidents out, with the reason in words; and the table of them in the docs.

The scenarios stand in `watch_scenarios.toml`, which says how they are written. They go through the real store and
watch, in packs of ten minutes, as from a gateway. `python tests/scenario/test_watch_scenarios.py` writes the table.
"""

from __future__ import annotations

import datetime as dt
import random
import re
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from adapters.contract import Reading, Stamp
from ingest.site.boards import Boards
from ingest.site.incidents import Incident
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.site.rules import Rules, StationRules
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.standing import standing
from ingest.watch.stations import AdapterFact, StationFacts, StationWatch
from ingest.watch.window import arrears

START_MS = 1_795_600_800_000  # Wed 25 Nov 2026, 10:00 UTC
MINUTE_MS = 60_000
PACK_MINUTES = 10
HERE = Path(__file__).resolve()
STORIES = HERE.with_name("watch_scenarios.toml")
TABLE = HERE.parents[2] / "ingest" / "watch" / "SCENARIOS.md"
NO_RULES = dict.fromkeys(Rules.__dataclass_fields__)
FACTS = {
    "disk": ("disk_free_bytes", 1e6),
    "clock": ("clock_off_s", 60.0),
    "unset": ("clock_unsynchronised_s", 3600.0),
    "behind": ("behind_s", 3600.0),
}
QUANTITY_OF = {"surface": "surface_temperature_c", "slab": "slab_rh_percent"}


@dataclass(frozen=True)
class Outcome:
    """What came of a scenario.  found: those that were to come and came.  missed: that did not.  false: others."""

    found: list[dict[str, Any]]
    missed: list[dict[str, Any]]
    false: list[dict[str, Any]]
    state: str
    reason: str


def start_ms(scenario: dict[str, Any]) -> int:
    """Give the instant of minute 0."""
    return round(dt.datetime.fromisoformat(scenario["begins"]).timestamp() * 1000) if "begins" in scenario else START_MS


def scenarios() -> list[dict[str, Any]]:
    """Read the scenarios."""
    return tomllib.loads(STORIES.read_text(encoding="utf-8"))["scenario"]


def minutes(story: str) -> Iterator[tuple[int, list[float | None]]]:
    """Give minute and values of every reading of a story."""
    at = 0
    for part in filter(None, (part.strip() for part in story.split(";"))):
        if part.startswith("gap"):
            at += int(part.split()[1])
            continue
        count, values = re.fullmatch(r"(\d+)x (\S+)", part).groups()  # type: ignore[union-attr]
        for step in range(int(count)):
            yield at, [along(value, step, int(count)) for value in values.split("/")]
            at += 1


def along(values: str, step: int, count: int) -> float | None:
    """Give the value at a step of "45", "45>65" or "-"."""
    if values == "-":
        return None
    first, _, last = values.partition(">")
    return float(first) + (float(last or first) - float(first)) * step / max(count - 1, 1)


def readings(scenario: dict[str, Any]) -> list[Reading]:
    """Give all readings of a scenario in order of time."""
    found = []
    for name, story in scenario.get("stories", {}).items():
        sensor, _, quantity = name.partition("/")
        single = quantity or QUANTITY_OF.get(place_of(scenario, sensor))
        for at, values in minutes(story):
            names = [single] if single else ["temperature_c", "rh_percent"]
            for each, value in zip(names, values, strict=True):
                if value is not None:
                    found.append(Reading(sensor, each, value, start_ms(scenario) + at * MINUTE_MS, Stamp.SENSOR))
    return sorted(found, key=lambda reading: reading.at_ms)


def place_of(scenario: dict[str, Any], sensor: str) -> str:
    return scenario.get("places", {}).get(sensor, "air")


def site_of(scenario: dict[str, Any]) -> Site:
    """Make the site of a scenario: one room, its window, its rules, its sensors."""
    asked = scenario.get("window", {"temperature": [18.0, 24.0], "rh": [35.0, 55.0]})
    bounds = {name: Bounds(*asked[name]) if name in asked else None for name in ("temperature", "rh", "emc")}
    window = AcclimationWindow(
        bounds["temperature"], bounds["rh"], bounds["emc"],
        dwell_s=asked.get("dwell", 30) * 60, return_dwell_s=asked.get("return", 30) * 60,
    )  # fmt: skip
    names = dict.fromkeys(name.partition("/")[0] for name in scenario.get("stories", {}))
    sensors = tuple(
        Sensor(
            name,
            "store",
            Place(place_of(scenario, name)),
            "north wall" if name == "a" else "",
            checked_on=scenario.get("checked", {}).get(name, ""),
        )
        for name in names
    )
    rules = Rules(**(NO_RULES | scenario.get("rules", {})))
    boards = (
        Boards(**{"species": "white oak", "thickness_mm": 20.0, "width_mm": 140.0} | scenario["boards"])
        if ("boards" in scenario)
        else None
    )
    room = Room("store", "Store", window, rules=rules, boards=boards)
    station = StationRules(**scenario.get("station", {}))
    return Site("An invented site", "Europe/Berlin", rooms=(room,), sensors=sensors, rules=station)


def packs(scenario: dict[str, Any]) -> list[tuple[int, list[Reading]]]:
    """Give what arrives, and when (minute), in the order of arrival."""
    late = scenario.get("late", {})
    by_pack: dict[tuple[int, str], list[Reading]] = {}
    for reading in readings(scenario):
        pack = (reading.at_ms - start_ms(scenario)) // MINUTE_MS // PACK_MINUTES
        arrives = (pack + 1) * PACK_MINUTES - 1 + late.get(reading.sensor, 0)
        by_pack.setdefault((arrives, reading.sensor if reading.sensor in late else ""), []).append(reading)
    arriving = [(at, part) for (at, _), part in sorted(by_pack.items())]
    if scenario.get("arrive") == "twice":
        arriving += [(at + PACK_MINUTES, part) for at, part in arriving]
        return sorted(arriving, key=lambda pack: pack[0])
    if scenario.get("arrive") in {"imported", "at once"}:
        return [(arriving[-1][0], part) for _, part in arriving]
    if "arrive" in scenario:
        parts = [part for _, part in arriving]
        parts.reverse() if scenario["arrive"] == "backwards" else random.Random(7).shuffle(parts)
        return [(arriving[-1][0], part) for part in parts]
    return arriving


def station_facts(scenario: dict[str, Any]) -> dict[int, StationFacts]:
    """Give the facts of the station at each minute that a scenario tells of."""
    courses = {name: dict(minutes(story)) for name, story in scenario.get("facts", {}).items()}
    found = {}
    for at in sorted({at for course in courses.values() for at in course}):
        known = {name: course[at][0] for name, course in courses.items() if at in course}
        adapters = [AdapterFact(name[8:], known[name] * 60) for name in known if name.startswith("adapter ")]
        scaled = {of: known[name] * by for name, (of, by) in FACTS.items() if name in known}
        uptime_s = at * 60 + (0 if scenario.get("starts") else 86_400)
        found[at] = StationFacts(uptime_s, tuple(adapters), **scaled)
    return found


def live_through(store: SqliteStore, scenario: dict[str, Any]) -> tuple[list[Incident], int]:
    """Put readings through store and watch; give the incidents as they stand in the end, and the last minute."""
    site, watch, station, begins_ms = site_of(scenario), Watch(), StationWatch(), start_ms(scenario)
    arriving = packs(scenario)
    facts = station_facts(scenario)
    end = max(max((at for at, _ in arriving), default=0), scenario.get("until", 0), max(facts, default=0))
    waiting = list(arriving)
    for now in sorted({at for at, _ in arriving} | set(range(PACK_MINUTES - 1, end + 1, PACK_MINUTES))):
        now_ms = begins_ms + now * MINUTE_MS
        while waiting and waiting[0][0] <= now:
            batch = ReadingBatch.of(waiting.pop(0)[1])
            with store.transaction() as work:
                if scenario.get("arrive") == "imported":
                    work.append(batch, heard_ms=now_ms, live=False)
                    arrears.note_unjudged(work, site, batch)
                else:
                    work.append(batch, heard_ms=now_ms)
                    watch.judge_readings(work, site, batch, now_ms=now_ms)
        with store.transaction() as work:
            for minute in range(now - PACK_MINUTES + 1, now + 1):
                if minute in facts:
                    station.judge(work, site, facts[minute], now_ms=begins_ms + minute * MINUTE_MS)
            if scenario.get("silence"):
                watch.judge_silence(work, site, now_ms=now_ms)
            watch.judge_unjudged(work, site, now_ms=now_ms)
            if "rules" in scenario:
                watch.judge_rules(work, site, now_ms=now_ms)
    return sorted(store.read.incidents(), key=lambda incident: (incident.opened_ms, incident.sensor)), end


def as_told(incident: Incident, begins_ms: int) -> dict[str, Any]:
    """Give what an incident is, as the scenarios write it."""
    told: dict[str, Any] = {"kind": incident.kind.value, "sensor": incident.sensor}
    for name in ("began", "opened", "closed"):
        at_ms = getattr(incident, f"{name}_ms")
        if at_ms is not None:
            told[name] = (at_ms - begins_ms) // MINUTE_MS
    if incident.worst_value is not None:
        told |= {"quantity": incident.quantity, "worst": round(incident.worst_value, 1)}
    return told | {"says": incident.reason}


def wanted(scenario: dict[str, Any]) -> list[dict[str, Any]]:
    """Give what must come of a scenario, in full."""
    full = []
    for told in scenario.get("told", []):
        usual = {"kind": "window", "sensor": "a"} | ({"quantity": "rh_percent"} if "worst" in told else {})
        full.append(usual | told)
    return full


@cache
def outcomes() -> list[Outcome]:
    """Live through every scenario, once."""
    return [outcome(scenario) for scenario in scenarios()]


def outcome(scenario: dict[str, Any]) -> Outcome:
    """Live through a scenario and lay what came beside what was to come."""
    with tempfile.TemporaryDirectory() as folder, SqliteStore.open(Path(folder) / "lumberroom.sqlite3") as store:
        incidents, end = live_through(store, scenario)
        stands = standing(store.read, site_of(scenario), "store", now_ms=start_ms(scenario) + end * MINUTE_MS)
    came = [as_told(incident, start_ms(scenario)) for incident in incidents]
    found, missed = [], []
    for expected in wanted(scenario):
        match = next((one for one in came if agrees(one, expected)), None)
        (missed if match is None else found).append(expected)
        if match is not None:
            came.remove(match)
    return Outcome(found, missed, came, stands.state.value, stands.reason)


def agrees(came: dict[str, Any], expected: dict[str, Any]) -> bool:
    """Tell whether an incident is the one expected: all figures equal, and its reason says what it must."""
    figures = {name: value for name, value in came.items() if name != "says"}
    return figures == {name: value for name, value in expected.items() if name != "says"} and (
        expected.get("says", "").lower() in came["says"].lower()
    )


@pytest.mark.parametrize("number", range(len(scenarios())), ids=lambda n: scenarios()[n]["title"].replace(" ", "-"))
def test_readings_in_incidents_out(number: int) -> None:
    """Each story makes exactly its incidents, at their minutes, with their worst value and reason in words."""
    scenario, came = scenarios()[number], outcomes()[number]
    assert (came.missed, came.false) == ([], [])
    assert came.state == scenario.get("ends", "in_range")
    assert scenario.get("stands", "") in came.reason


def table() -> str:
    """Write the page that tells what the scenarios are and what came of them."""
    rows, totals = [], [0, 0, 0, 0]
    for scenario, came in zip(scenarios(), outcomes(), strict=True):
        counts = [len(wanted(scenario)), len(came.found), len(came.missed), len(came.false)]
        totals = [total + count for total, count in zip(totals, counts, strict=True)]
        kinds = ", ".join(dict.fromkeys(told["kind"] for told in wanted(scenario))) or "nothing"
        rows.append(f"| {scenario['title']} | {kinds} | {' | '.join(map(str, counts))} |")
    head = (
        "# What the watch finds, misses, and makes up\n\n"
        "Days in rooms, written as data (`tests/scenario/watch_scenarios.toml`: readings in, incidents out, with the\n"
        "reason in words) and lived through the real store and watch. An incident counts as found only if its sensor,\n"
        "kind, beginning, opening and end to the minute, and its worst value, are those that the story asks for. They\n"
        "are our own stories, with the rules set as each story says: they show that the watch does what it should,\n"
        "not how often it would be wrong in a strange house.\n\n"
        "This page is written by `python tests/scenario/test_watch_scenarios.py`; a test holds it to what comes of\n"
        "them.\n\n"
        f"{len(rows)} scenarios, {totals[0]} incidents wanted, {totals[1]} found, {totals[2]} missed, "
        f"{totals[3]} false.\n\n"
        "| Story | Should come | Wanted | Found | Missed | False |\n|---|---|--:|--:|--:|--:|\n"
    )
    return head + "\n".join(rows) + "\n"


def test_the_table_says_what_comes_out() -> None:
    """The page in the docs is the one that these scenarios make, and there are sixty of them or more."""
    assert TABLE.read_text(encoding="utf-8") == table()
    assert len(scenarios()) >= 60


if __name__ == "__main__":
    if sys.argv[1:] == ["--show"]:
        for scenario, came in zip(scenarios(), outcomes(), strict=True):
            if came.missed or came.false or came.state != scenario.get("ends", "in_range"):
                print(scenario["title"], came.state, came.reason, *came.missed, "GOT", *came.false, sep="\n   ")
    else:
        TABLE.write_text(table(), encoding="utf-8")
