"""A disk that turns single bits: nothing wrong is served in silence, all that is touched is named, and all goes on."""

from __future__ import annotations

import contextlib
import dataclasses
import random
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.errors import StorageError
from ingest.site.actor import SETTINGS, WATCH
from ingest.site.handling import Action, Handling
from ingest.site.incidents import Incident, IncidentKind, NoticeKind
from ingest.site.places import AcclimationWindow as Window
from ingest.site.places import Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file import shape
from ingest.store.file.integrity import check_integrity
from ingest.store.file.opening import PAGE_BYTES
from ingest.store.record.device_keys import DeviceKey, add, new_key
from ingest.store.record.kinds import HANDLING
from ingest.store.sqlite_store import SqliteStore

T0 = 1_780_000_000_000
MINUTE = 60_000
ROOMS = ("attic", "hall")
KEYS = tuple(SeriesKey(sensor, quantity) for sensor in ROOMS for quantity in ("temperature_c", "rh_percent"))
SITE = Site(
    "House on the hill", "Europe/Berlin", 310.0,
    tuple(Room(name, name.title(), Window(rh_percent=Bounds(30.0, 50.0)), holds="oak boards " * 20) for name in ROOMS),
    tuple(Sensor(name, name) for name in ROOMS),
)  # fmt: skip


def air(first: int, count: int) -> ReadingBatch:
    """Some minutes of two sensors' air."""
    rng = np.random.default_rng(first)
    at = np.tile(T0 + MINUTE * np.arange(first, first + count), 4)
    return ReadingBatch(
        KEYS, np.repeat(np.arange(4, dtype=np.int32), count), at, np.round(rng.normal(20, 3, 4 * count), 2),
        np.zeros(4 * count, bool),
    )  # fmt: skip


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with something in each of its parts: sealed, rolled up, staged, on record; some of it only in the log."""
    path = tmp_path_factory.mktemp("whole") / "lumberroom.sqlite3"
    store = SqliteStore.open(path)
    with store.transaction() as work:
        work.save_site(SITE, at_ms=T0, by=SETTINGS)
        work.append(air(0, 8000), heard_ms=T0)
    store.settle()
    store.tidy()
    for number in range(60):
        with store.transaction() as work:
            work.append(air(8000 + 10 * number, 10), heard_ms=T0 + number)
            name = f"incident-{number}"
            incident = Incident(name, "hall", "hall", IncidentKind.WINDOW, T0, T0 + number, f"RH {number} % " * 9)
            work.put_incident(incident, at_ms=T0, by=WATCH)
            work.put(
                HANDLING,
                Handling(name, T0, "Anna", note=f"note {number}", action=Action.ACKNOWLEDGED),
                at_ms=T0,
                by="Anna",
            )
            work.add_notice(
                incident=name, kind=NoticeKind.OPENED, channel="mail", recipient=f"p{number}@example.org",
                facts={"room": "Hall", "reason": f"because {number} " * 12}, created_ms=T0 + number,
            )  # fmt: skip
            work.save_judgement("hall", {"state": "out", "number": number})
        if number == 30:
            store.tidy()
    with store.transaction() as work:
        add(work.view.connection, new_key(), DeviceKey("probe", ("hall/*",), T0, "Anna"))
    # As a crash leaves it: the file, and the log beside it with what is not folded back yet.
    left = path.with_name("left.sqlite3")
    for end in ("", "-wal"):
        shutil.copyfile(f"{path}{end}", f"{left}{end}")
    store.close()
    return left


def served(path: Path) -> dict[str, Any]:
    """All that the store serves, a name for each item."""
    found: dict[str, Any] = {}
    with SqliteStore.open(path, read_only=True) as store:
        read = store.read
        found["site"] = read.site()
        for key in KEYS:
            series = read.read(key, T0, T0 + 10**9)
            found |= {
                f"{key} {at}": value for at, value in zip(series.at_ms.tolist(), series.value.tolist(), strict=True)
            }
            hours = read.buckets(key, np.arange(T0, T0 + 9000 * MINUTE, 60 * MINUTE))
            found |= {
                f"{key} hour {n}": tuple(of) for n, *of in zip(range(len(hours.count)), hours.count.tolist(),
                hours.minimum.tolist(), hours.mean.tolist(), hours.maximum.tolist(), strict=False)
            }  # fmt: skip
        found |= {f"latest {key}": sample for key, sample in read.latest(KEYS).items()}
        found |= {f"extent {extent.key}": extent for extent in read.extents()}
        incidents = read.incidents(limit=1000)
        found |= {one.id: one for one in incidents}
        found |= {f"of hall {one.id}": one for one in read.incidents(room="hall", only_open=True, limit=1000)}
        found |= {f"handling {name}": one for name, one in read.nouns(HANDLING, [one.id for one in incidents]).items()}
        found |= {f"notice {one.number}": one for one in read.notices(limit=1000)}
        found |= {f"key {one.name}": one for one in read.device_keys()}
        found |= {f"heard {sensor}": at for sensor, at in read.heard().items()}
        found["judgement"] = read.judgement("hall")
    return found


class Outcome:
    """What became of one turned bit."""

    def __init__(self, true: dict[str, Any], path: Path) -> None:
        self.named = check_integrity(path)
        self.refused = ""
        try:
            got = served(path)
        except StorageError as error:
            got, self.refused = {}, str(error)
        # Of a log that is damaged SQLite reads what lies before the break: what was true then, and that is said.
        is_older = any(fault.startswith("log: ") for fault in self.named)
        self.wrong = {n: of for n, of in got.items() if _differs(of, true.get(n)) and not (is_older and _may_age(n))}
        self.lacks = [name for name in true if name not in got]
        self.opened = _opens_and_stores(path)


def _may_age(name: str) -> bool:
    return name.startswith(("heard", "judgement", "latest", "extent", "handling", "notice")) or " hour " in name


def _differs(got: Any, true: Any) -> bool:
    if isinstance(got, tuple) and isinstance(true, tuple):
        # An hour of which something is lost may count fewer readings: that is said by its count and coverage.
        return len(got) == 4 and got[0] == true[0] and not np.allclose(got[1:], true[1:], rtol=1e-12, equal_nan=True)
    if dataclasses.is_dataclass(got) and hasattr(got, "count") and hasattr(true, "count"):
        return bool(got.count > true.count)
    return bool(got != true)


def _opens_and_stores(path: Path) -> str:
    """Let a daemon's store be opened on it, and go on: nothing, or why it cannot."""
    try:
        with SqliteStore.open(path) as store:
            for _ in range(3):
                store.settle_step()
            with store.transaction() as work:
                work.append(air(9000, 1), heard_ms=T0)
            at = {store.read.latest([key])[key].at_ms for key in KEYS}
        return "" if at == {T0 + 9000 * MINUTE} else f"newest at {at}"
    except StorageError as error:
        return str(error)


def turn_a_bit(path: Path, chance: random.Random) -> str:
    """Turn one bit of the file or of its log (beyond the 100 bytes of header), and say where."""
    sizes = {end: Path(f"{path}{end}").stat().st_size for end in ("", "-wal")}
    place = chance.randrange(100, sum(sizes.values()))
    end, at = ("", place) if place < sizes[""] else ("-wal", place - sizes[""])
    with Path(f"{path}{end}").open("r+b") as file:
        file.seek(at)
        (byte,) = file.read(1)
        file.seek(at)
        file.write(bytes([byte ^ 1 << chance.randrange(8)]))
    return f"{end or 'file'} page {at // PAGE_BYTES + 1} byte {at % PAGE_BYTES}"


def turned(whole: Path, tmp_path: Path, times: int) -> None:
    """Turn so many bits, each in a copy of its own, and look what is served, named and gone on with."""
    true = served(_copy(whole, tmp_path / "true.sqlite3"))
    touched = 0
    for seed in range(times):
        path = _copy(whole, tmp_path / "turned.sqlite3")
        where = turn_a_bit(path, random.Random(seed))
        outcome = Outcome(true, path)
        assert not outcome.wrong, f"seed {seed}, {where}: served {outcome.wrong}, named {outcome.named}"
        if outcome.lacks or outcome.refused:
            touched += 1
            assert outcome.named or outcome.refused, f"seed {seed}, {where}: in silence without {outcome.lacks[:5]}"
        # The daemon opens it and goes on, whatever it is: a schema is mended, a broken structure rebuilt.
        assert outcome.opened == "", f"seed {seed}, {where}: {outcome.opened}"
    assert touched >= times // 20


def _copy(whole: Path, path: Path, *, log: bool = True) -> Path:
    for old in path.parent.glob(path.name + "*"):
        old.unlink()
    for end in ("", "-wal") if log else ("",):
        shutil.copyfile(f"{whole}{end}", f"{path}{end}")
    return path


def test_sixty_turned_bits_serve_nothing_wrong(whole: Path, tmp_path: Path) -> None:
    """Anywhere in the file and its log: no value, name or entry is served that was not written."""
    turned(whole, tmp_path, 60)


@pytest.mark.soak
def test_a_thousand_turned_bits_serve_nothing_wrong(whole: Path, tmp_path: Path) -> None:
    """The same a thousand times."""
    turned(whole, tmp_path, 1000)


def test_a_bit_in_the_schema_is_mended_at_the_start(whole: Path, tmp_path: Path) -> None:
    """In the text of every table, index, view and trigger: the daemon opens, says so, and all is sound again."""
    true = served(_copy(whole, tmp_path / "true.sqlite3"))
    with contextlib.closing(SqliteStore.open(tmp_path / "true.sqlite3")):
        pass  # folded back: the file alone
    content = (tmp_path / "true.sqlite3").read_bytes()
    with contextlib.closing(sqlite3.connect(tmp_path / "true.sqlite3")) as connection:
        of_table = dict(connection.execute("SELECT name, tbl_name FROM sqlite_schema"))
    chance, mended = random.Random(7), 0
    for part in shape.expected():
        entry = f"{part.kind}{part.name}{of_table[part.name]}"
        at = content.index(entry.encode())
        path = tmp_path / "turned.sqlite3"
        for place in (at + len(part.kind), at + len(entry) + 5):  # its name; what makes it
            turned_one = bytearray(content)
            turned_one[place] ^= 1 << chance.randrange(8)
            _copy(tmp_path / "true.sqlite3", path, log=False).write_bytes(bytes(turned_one))
            with SqliteStore.open(path) as store:
                told = [one for one in store.damage if one.startswith("schema: ")]
                assert told == [f"schema: what the file says of its {part.kind} {part.name} was damaged, and is mended"]
            assert check_integrity(path) == []
            assert served(path).keys() == true.keys()
            mended += 1
    assert mended > 60


def test_a_row_that_turns_while_the_daemon_runs_is_told_when_it_is_left_out(whole: Path, tmp_path: Path) -> None:
    """Not only at the next check: as soon as an answer lacks it, for the pages and `/health`."""
    path = _copy(whole, tmp_path / "running.sqlite3")
    with SqliteStore.open(path) as store:
        assert len(store.read.notices(limit=1000)) == 60
        assert store.damage == []
        _edit_behind_the_sums(path, "UPDATE notice SET recipient = 'q@example.org' WHERE number = 3")
        assert len(store.read.notices(limit=1000)) == 59
        assert [one for one in store.damage if "table notice" in one and "left out" in one]
        _edit_behind_the_sums(path, "UPDATE device_key SET sensors = '[\"*\"]'")
        with store.transaction() as work:
            work.note_keys_used({"probe": T0})
        assert [one for one in store.damage if "table device_key" in one and "left out" in one]
        _edit_behind_the_sums(
            path, "DROP TRIGGER record_keeps", "UPDATE record SET body = replace(body, 'oak', 'ash') WHERE number = 1"
        )
        assert store.read.site() is None
        assert [one for one in store.damage if "table record" in one and "left out" in one]


def _edit_behind_the_sums(path: Path, *edits: str) -> None:
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA trusted_schema = ON")
        connection.create_function("row_sum", -1, lambda *_: 0, deterministic=True)
        for edit in edits:
            connection.execute(edit)


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE series SET sensor = 'cellar' WHERE id = 1",
        "UPDATE series SET last_value = 21.5 WHERE id = 1",
        "UPDATE batch SET body = replace(body, '1', '2') WHERE number = (SELECT max(number) FROM batch)",
        "UPDATE notice SET recipient = 'q@example.org' WHERE number = 3",
        "UPDATE device_key SET sensors = '[\"*\"]'",
        "UPDATE incident SET severity = 'severe' WHERE id = 'incident-4'",
        "UPDATE judgement SET state = '{}'",
    ],
)
def test_sums_cover_every_row_that_is_served(whole: Path, tmp_path: Path, edit: str) -> None:
    """A sensor's name, a count, a batch, a mail's address, a key's rights changed behind the sums: the row is named."""
    path = _copy(whole, tmp_path / "edited.sqlite3")
    _edit_behind_the_sums(path, edit)
    assert any("not as it was written" in fault for fault in check_integrity(path))
