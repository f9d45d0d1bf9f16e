"""A recorded file that is played again, as after a restart, changes nothing: no late readings, no amendments."""

from __future__ import annotations

from pathlib import Path

from adapters.registry import check_settings
from adapters.replay import Replay
from ingest.clock import DrivenClock
from ingest.runtime.intake import Intake
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.api import UnitOfWork
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import judge_readings
from ingest.watch.standing import standing

NOW_MS = 1_790_000_000_000
MINUTE_MS = 60_000


async def play(path: Path, store: SqliteStore, clock: DrivenClock, site: Site) -> tuple[Intake, int]:
    """Play a file into the store as a daemon does from its start to its end; gives how often the watch judged."""
    judged = 0

    def judge(work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        nonlocal judged
        judged += 1
        return judge_readings(work, site, batch, now_ms=now_ms)

    intake = Intake(store, clock, lambda: site, judge, lambda news: None)
    intake.start()
    async for batch in Replay(check_settings(Replay, {"path": str(path), "speed": 0}), clock).readings():
        await intake.deliver(batch, "replay")
    await intake.close()
    return intake, judged


async def test_a_file_played_again_is_neither_late_nor_amended(
    tmp_path: Path, store: SqliteStore, clock: DrivenClock, site: Site
) -> None:
    """Of 2,000 rows that stand in the store already all count as repeated, and the room stands as it stood."""
    rows = [(NOW_MS - (2_000 - n) * MINUTE_MS, 45 + 20 * (900 < n < 1_000) + n % 7 / 10) for n in range(2_000)]
    path = tmp_path / "hall.csv"
    path.write_text("at_ms,sensor,rh_percent\n" + "".join(f"{at_ms},hall-1,{rh}\n" for at_ms, rh in rows))
    first, judged = await play(path, store, clock, site)
    assert judged >= 1
    assert (first.health.stored, first.health.repeated, first.health.amended) == (2_000, 0, 0)
    before = standing(store.read, site, site.rooms[0], now_ms=NOW_MS)
    incidents = store.read.incidents()
    assert len(incidents) == 1
    again, judged = await play(path, store, clock, site)
    assert (again.health.stored, again.health.repeated, again.health.amended) == (0, 2_000, 0)
    assert judged == 0
    assert standing(store.read, site, site.rooms[0], now_ms=NOW_MS) == before
    assert before.late == 0
    assert store.read.incidents() == incidents


async def test_what_is_new_behind_what_is_known_is_judged(
    tmp_path: Path, store: SqliteStore, clock: DrivenClock, site: Site
) -> None:
    """A file that has grown, played from its beginning: the known part is repeated, the new one stored and judged."""
    path = tmp_path / "hall.csv"
    head = "at_ms,sensor,rh_percent\n" + "".join(f"{NOW_MS - (90 - n) * MINUTE_MS},hall-1,45\n" for n in range(45))
    path.write_text(head)
    await play(path, store, clock, site)
    path.write_text(head + "".join(f"{NOW_MS - (45 - n) * MINUTE_MS},hall-1,65\n" for n in range(45)))
    again, _ = await play(path, store, clock, site)
    assert (again.health.stored, again.health.repeated, again.health.amended) == (45, 45, 0)
    assert len(store.read.incidents()) == 1
