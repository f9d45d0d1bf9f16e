"""Recorded files are played at the pace of the recording, faster, or at once, and end."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from adapters.contract import Reading, SettingsError, Stamp, Why
from adapters.framing.senml import encode_pack
from adapters.recorded_files import ITEMS_AT_ONCE
from adapters.registry import check_settings
from adapters.replay import Replay
from ingest.clock import DrivenClock, FastClock, SystemClock

RECORDED_MS = 1_600_000_000_000
NOW_MS = 1_764_064_800_000


def recording(tmp_path: Path, steps_s: Sequence[int] = (0, 600, 1200), name: str = "room.csv") -> Path:
    """Write a file with a reading at each of these seconds after `RECORDED_MS`."""
    lines = [f"{RECORDED_MS + step * 1000},loft,{20 + i % 40},{50 + i % 40}" for i, step in enumerate(steps_s)]
    path = tmp_path / name
    path.write_text("\n".join(["at_ms,sensor,temperature_c,rh_percent", *lines]) + "\n")
    return path


def replay(path: Path, clock: Any = None, **settings: Any) -> Replay:
    """Make the adapter as the daemon does."""
    return Replay(check_settings(Replay, {"path": str(path)} | settings), clock or SystemClock())


async def collect(adapter: Replay) -> list[Sequence[Reading]]:
    """Play to the end."""
    return [batch async for batch in adapter.readings()]


async def test_at_speed_zero_everything_comes_at_once_and_it_ends(tmp_path: Path) -> None:
    """As fast as it is taken: bounded batches, the recorded instants, and an ordinary end."""
    path = recording(tmp_path, range(0, 60 * 1500, 60))
    batches = await collect(replay(path, speed=0))
    assert [len(batch) for batch in batches] == [ITEMS_AT_ONCE] * 3
    flat = [reading for batch in batches for reading in batch]
    assert flat[:2] == [
        Reading("loft", "temperature_c", 20.0, RECORDED_MS, Stamp.SENSOR),
        Reading("loft", "rh_percent", 50.0, RECORDED_MS, Stamp.SENSOR),
    ]


async def test_readings_come_when_they_are_due(tmp_path: Path) -> None:
    """At speed 2 the readings ten minutes apart come five minutes apart, both of an instant together."""
    clock = DrivenClock(NOW_MS)
    came: list[tuple[int, int]] = []

    async def play() -> None:
        async for batch in replay(recording(tmp_path), clock, speed=2).readings():
            came.append((clock.now_ms() - NOW_MS, len(batch)))

    playing = asyncio.create_task(play())
    while not came:
        await asyncio.sleep(0.001)
    for _ in range(4):
        await clock.advance(150)
    await playing
    assert came == [(0, 2), (300_000, 2), (600_000, 2)]


async def test_small_delays_do_not_add_up(tmp_path: Path) -> None:
    """Five hundred steps of two milliseconds take a second and not one and a half, though every sleep oversleeps."""
    clock = FastClock(NOW_MS, 1.0)
    batches = await collect(replay(recording(tmp_path, range(500)), clock, speed=500))
    assert len(batches) == 500
    assert 0.95 <= clock.monotonic_s() < 1.45


async def test_shifted_stamps_begin_now_and_keep_the_rhythm(tmp_path: Path) -> None:
    """Shifted so that the first reading is now, the others as far apart as they are played."""
    clock = FastClock(NOW_MS, 36_000.0)
    batches = await collect(replay(recording(tmp_path), clock, stamps="shifted"))
    at_ms = [batch[0].at_ms for batch in batches]
    assert 0 <= at_ms[0] - NOW_MS < 36_000_000
    assert [later - at_ms[0] for later in at_ms] == [0, 600_000, 1_200_000]
    assert {reading.stamp for batch in batches for reading in batch} == {Stamp.SENSOR}


async def test_a_row_out_of_order_comes_when_its_turn_in_the_file_comes(tmp_path: Path) -> None:
    """A late row is given without waiting and with its own instant."""
    clock = FastClock(NOW_MS, 360_000.0)
    batches = await collect(replay(recording(tmp_path, (0, 600, 300, 900)), clock))
    assert [(batch[0].at_ms - RECORDED_MS) // 1000 for batch in batches] == [0, 600, 300, 900]


async def test_senml_lines_are_played_too(tmp_path: Path) -> None:
    """Packs, one a line, as the tool itself exports them; a record without an instant is none from now."""
    readings = [Reading("loft", "rh_percent", 50.0 + i, RECORDED_MS + i * 1000, Stamp.SENSOR) for i in range(3)]
    lines = [encode_pack(readings[:2]), b"# remark", b"", b'[{"n":"loft/humidity","u":"%RH","v":1}]', b"{", b""]
    path = tmp_path / "room.senml"
    path.write_bytes(b"\n".join([*lines, encode_pack(readings[2:])]))
    adapter = replay(path, speed=0)
    assert [reading for batch in await collect(adapter) for reading in batch] == readings
    assert adapter.health.rejected == {Why.TIME: 1, Why.NOT_JSON: 1}


async def test_a_gap_of_a_thousand_bad_lines_is_not_the_end(tmp_path: Path) -> None:
    """However many lines give nothing, what comes after them is played; they are counted with their rows."""
    path = recording(tmp_path)
    with path.open("a") as file:
        file.write("nonsense\n" * 3000 + f"{RECORDED_MS},loft,1,1\n")
    adapter = replay(path, speed=0)
    assert sum(len(batch) for batch in await collect(adapter)) == 8
    assert adapter.health.rejected == {Why.NO_SENSOR: 3000}
    assert adapter.health.last_rejection is not None
    assert "row 3004" in adapter.health.last_rejection.detail


async def test_a_real_winter_is_played_whole(tmp_path: Path) -> None:
    """The measured room of tests/data plays through its column map, in order, every reading of it."""
    path = Path(__file__).parents[2] / "data" / "measured_room" / "indoor.csv"
    columns = {"t_UTC+2": "time", "T": "temperature_c", "RH": "rh_percent"}
    adapter = replay(path, speed=0, columns=columns, sensor="room", zone="+02:00")
    at_ms = [reading.at_ms for batch in await collect(adapter) for reading in batch]
    assert len(at_ms) == 2 * 21_365
    assert at_ms == sorted(at_ms)
    assert adapter.health.rejected == {}


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"stamps": "shifted", "speed": 0}, 'stamps: stamps "shifted" with speed 0 would put every reading'),
        ({"zone": "Mars/Crater"}, "zone: 'Mars/Crater' is no time zone"),
        ({"path": "readings.txt"}, "format: the name 'readings.txt' does not say what is in the file"),
        ({"sensor": "the loft"}, "sensor: 'the loft' cannot be a sensor's name"),
        ({"speed": -1}, "speed: -1 is out of range"),
    ],
)
def test_settings_that_cannot_work_are_refused_before_anything_is_opened(
    settings: dict[str, Any], message: str
) -> None:
    """Mistakes show when the adapter is made, not when the file is half played."""
    with pytest.raises(SettingsError) as caught:
        Replay(check_settings(Replay, {"path": "room.csv"} | settings), SystemClock())
    assert str(caught.value).startswith(message)


async def test_a_file_that_is_not_there_is_said_with_its_path(tmp_path: Path) -> None:
    """A missing file and a folder are mistakes in the settings, named by their path."""
    with pytest.raises(SettingsError, match=r"gone\.csv: it cannot be opened \(No such file"):
        await collect(replay(tmp_path / "gone.csv"))
    with pytest.raises(SettingsError, match=r"it cannot be opened \(Is a directory"):
        await collect(replay(tmp_path, format="csv"))


async def test_a_header_that_cannot_be_understood_is_a_mistake_in_the_settings(tmp_path: Path) -> None:
    """It names the file and the columns that it has, and is not tried again."""
    path = tmp_path / "other.csv"
    path.write_text("when,what\n1,2\n")
    with pytest.raises(SettingsError, match=r"other\.csv, row 1: no column gives the time.*'when', 'what'"):
        await collect(replay(path))
