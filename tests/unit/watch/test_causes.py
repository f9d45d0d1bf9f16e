"""Several incidents of one cause: found, joined late, left alone, and the same whatever order they were found in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract import Reading, Stamp
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch import causes, incident_book
from ingest.watch.rounds import Watch

T0_MS = 1_795_600_800_000
MINUTE_MS = 60_000
ROOMS = ("attic", "bath", "cellar", "den", "entry")
COLD = AcclimationWindow(temperature_c=Bounds(18.0, 24.0), rh_percent=Bounds(35.0, 55.0))
SITE = Site(
    "Invented house",
    rooms=tuple(Room(name, name.title(), COLD) for name in ROOMS),
    sensors=tuple(Sensor(f"{name}-air", name) for name in ROOMS),
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A store of its own."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as made:
        yield made


def incident(
    room: str, minute: int, kind: IncidentKind = IncidentKind.WINDOW, worst: float = 15.0, **more: object
) -> Incident:
    """Make an incident that began at a minute; by itself the air is too cold."""
    at_ms = T0_MS + minute * MINUTE_MS
    made = Incident(f"{room}.{kind.value}.{minute}", room, f"{room}-air", kind, at_ms, at_ms + 1, "too cold")
    if kind is IncidentKind.WINDOW:
        made = replace(made, quantity="temperature_c", bound=18.0, worst_value=worst)
    return replace(made, **more)  # type: ignore[arg-type]


def write(store: SqliteStore, *incidents: Incident) -> dict[str, str]:
    """Write incidents through the one door and give the causes of all that stand, by room."""
    with store.transaction() as work:
        incident_book.write(work, SITE, incidents, now_ms=T0_MS)
    return {one.room: one.cause for one in store.read.incidents()}


def test_the_heating_fails_and_five_rooms_cool(store: SqliteStore) -> None:
    """Rooms that leave their windows the same way within two hours share a cause; the watch finds it by itself."""
    watch = Watch()
    told: dict[str, Incident] = {}
    for minute in range(0, 150, 5):
        at_ms = T0_MS + minute * MINUTE_MS
        readings = [
            Reading(f"{room}-air", "temperature_c", 19.0 - max(0, minute - 10 - 10 * place) / 60, at_ms, Stamp.SENSOR)
            for place, room in enumerate(ROOMS)
        ]
        batch = ReadingBatch.of(readings)
        with store.transaction() as work:
            work.append(batch, heard_ms=at_ms)
            told |= {one.id: one for one in watch.judge_readings(work, SITE, batch, now_ms=at_ms)}
    found = store.read.incidents()
    assert len(found) == 5
    assert len({one.cause for one in found}) == 1
    first, *rest = sorted(told.values(), key=lambda one: one.opened_ms)
    assert first.cause == ""  # nobody could know yet; who is told of the second is told of both
    assert {one.cause for one in rest} == {found[0].cause}
    assert {one.id for one in causes.sharing(store.read, found[2])} == {one.id for one in found}


def test_a_room_by_itself_and_one_that_goes_the_other_way_share_nothing(store: SqliteStore) -> None:
    """Too warm is another cause than too cold; three hours later is another; twice in one room is no second room."""
    alone = write(store, incident("attic", 0), incident("bath", 10, worst=26.0, bound=24.0), incident("den", 200))
    assert alone == {"attic": "", "bath": "", "den": ""}
    assert write(store, incident("attic", 60)) == alone


def test_rh_above_and_temperature_below_are_one_way(store: SqliteStore) -> None:
    """Air that cools gets damper: leaving through RH and leaving through the cold are one cause."""
    damp = replace(incident("bath", 30), quantity="rh_percent", bound=55.0, worst_value=60.0)
    found = write(store, incident("attic", 0), damp)
    assert found["attic"] == found["bath"] == "window-damper-20261125T100000Z"


def test_a_late_joiner_is_added_and_a_withdrawn_one_leaves(store: SqliteStore) -> None:
    """The cause is named by the first; when only one is left there is nothing to share any more."""
    write(store, incident("attic", 0), incident("bath", 30))
    assert set(write(store, incident("cellar", 90)).values()) == {"window-damper-20261125T100000Z"}
    write(store, incident("bath", 30, closed_ms=T0_MS + 10**8, withdrawn_ms=T0_MS))
    left = write(store, incident("cellar", 90, closed_ms=T0_MS + 10**8, withdrawn_ms=T0_MS))
    assert left == {"attic": ""}


def test_what_opens_when_all_is_over_is_told_by_itself(store: SqliteStore) -> None:
    """A room out after another was all clear is not out "as well"; where that end turns out to be later, it joins."""
    minute = T0_MS + MINUTE_MS
    apart = write(store, incident("attic", 0, closed_ms=minute + 40 * MINUTE_MS), incident("bath", 60))
    assert apart == {"attic": "", "bath": ""}
    joined = write(store, incident("attic", 0, closed_ms=minute + 70 * MINUTE_MS))
    assert joined["attic"] == joined["bath"] != ""
    assert set(write(store, incident("attic", 0, closed_ms=minute + 40 * MINUTE_MS)).values()) == {""}


def test_pages_put_together_what_mails_put_together(store: SqliteStore) -> None:
    """Of a cause of which one is over and one goes on, a list of either says with which others it is."""
    write(store, incident("attic", 0, closed_ms=T0_MS + 80 * MINUTE_MS), incident("bath", 60), incident("den", 500))
    going_on = store.read.incidents(only_open=True)
    shown = [
        ([one.room for one in group], [one.room for one in sharing])
        for group, sharing in causes.by_cause(store.read, going_on)
    ]
    assert shown == [(["den"], ["den"]), (["bath"], ["attic", "bath"])]


def test_an_adapter_that_is_down_is_the_cause_of_silences(store: SqliteStore) -> None:
    """Sensors that fall silent as their adapter goes down have its incident as the leading one."""
    down = replace(incident("", 5, IncidentKind.ADAPTER), sensor="serial")
    silent = [incident(room, minute, IncidentKind.OFFLINE) for minute, room in enumerate(ROOMS)]
    found = write(store, *silent, down)
    assert len(set(found.values())) == 1
    assert causes.leading(store.read.incidents()).kind is IncidentKind.ADAPTER


def test_a_power_cut_silences_sensors_of_one_room_too(store: SqliteStore) -> None:
    """Two sensors are two, even in one room; a battery and a stuck sensor are nobody else's doing."""
    pair = [replace(incident("den", 0, IncidentKind.OFFLINE), id=name, sensor=name) for name in ("a", "b")]
    write(store, *pair)
    assert {one.cause for one in store.read.incidents()} == {"offline-20261125T100000Z"}
    batteries = [incident(room, 0, IncidentKind.BATTERY) for room in ROOMS]
    assert causes.class_of(batteries[0]) is None


def test_what_the_watch_writes_next_keeps_cause_and_wood(store: SqliteStore) -> None:
    """The judge holds an older copy of its incident; writing it must not undo what was found since."""
    write(store, incident("attic", 0), incident("bath", 30))
    cause = store.read.incidents(room="attic")[0].cause
    assert cause
    again = write(store, incident("attic", 0, worst=12.0))
    assert again["attic"] == cause
    assert store.read.incidents(room="attic")[0].worst_value == 12.0


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(ROOMS), st.integers(0, 900), st.one_of(st.none(), st.integers(1, 200))),
        min_size=2,
        max_size=9,
        unique_by=lambda begin: begin[:2],
    ),
    st.randoms(use_true_random=False),
    st.integers(1, 4),
)
def test_any_order_of_finding_makes_the_same_groups(
    tmp_path_factory: pytest.TempPathFactory, begins: list[tuple[str, int, int | None]], chance: object, size: int
) -> None:
    """Found in order of time, or in any order a few at a time: the causes are those of the whole."""
    found = [
        incident(room, minute, closed_ms=None if lasts is None else T0_MS + (minute + lasts) * MINUTE_MS)
        for room, minute, lasts in begins
    ]
    shuffled = list(found)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    outcomes = []
    for order in (sorted(found, key=lambda one: one.began_ms), shuffled):
        with SqliteStore.open(tmp_path_factory.mktemp("causes") / "lumberroom.sqlite3") as made:
            for start in range(0, len(order), size):
                write(made, *order[start : start + size])
            outcomes.append({one.id: one.cause for one in made.read.incidents()})
    assert outcomes[0] == outcomes[1]
