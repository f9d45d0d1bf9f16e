"""The running estimate of boards: the model has tests of its own; here is only what is made of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from adapters.contract import Reading, Stamp
from ingest.physics.board import Climate, simulate
from ingest.site.actor import SETTINGS
from ingest.site.boards import ORDINARY_OAK, Boards
from ingest.site.in_service import InService
from ingest.site.places import Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, Series
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rules.boards import BoardEstimate, board_estimate, described
from ingest.watch.rules.figures import Air
from ingest.watch.rules.marches import BOARD_STEP_MS, board_bounds, boards_mc

MINUTE_MS = 60_000
DAY_MS = 86_400_000


def estimated(rh_percent: float, days: float, start: float | None, **changes: object) -> BoardEstimate:
    """Estimate the ordinary oak after days of one air at 21.1 °C, read by the minute."""
    times_ms = np.arange(0, round(days * DAY_MS) + 1, MINUTE_MS, dtype=np.int64)
    air = (np.full(len(times_ms), 21.1), np.full(len(times_ms), rh_percent))
    found = board_estimate(times_ms, *air, replace(ORDINARY_OAK, **changes), start)  # type: ignore[arg-type]
    assert found is not None
    return found


def test_a_year_of_one_air_ends_at_the_handbooks_emc() -> None:
    """At 70 °F and 65 % the Wood Handbook, table 4-2, has 12.0 % MC; after a year the whole board has come there."""
    found = estimated(65.0, 365.0, 8.0)
    assert found.mean_mc_percent == pytest.approx(12.0, abs=0.15)
    assert found.moved_percent == pytest.approx(found.mean_mc_percent - 8.0)


def test_the_width_follows_the_handbooks_coefficient() -> None:
    """Eq. 13-2 with C = 0.00365 (white oak, tangential; 0.00180 radial, table 13-5) gives the change of width."""
    flat, quarter = estimated(65.0, 30.0, 8.0), estimated(65.0, 30.0, 8.0, quarter_sawn=True)
    assert flat.width_change_mm == pytest.approx(140 * 0.00365 * flat.moved_percent)
    assert quarter.width_change_mm == pytest.approx(140 * 0.00180 * quarter.moved_percent)


def test_three_damp_hours_move_the_face_and_hardly_the_board() -> None:
    """What a floor layer is to be told: the face moves by whole per cents, the mean by a quarter of one."""
    found = estimated(75.0, 0.125, 9.0)
    assert found.surface_mc_percent > 12.0
    assert 0.1 < found.moved_percent < 0.4


def test_a_laid_board_is_half_a_board_twice_as_thick() -> None:
    """With the underside sealed, by symmetry, a board does what one twice as thick does with air on both faces."""
    laid = estimated(65.0, 20.0, 8.0, both_faces=False, thickness_mm=10.0)
    assert laid.mean_mc_percent == pytest.approx(estimated(65.0, 20.0, 8.0).mean_mc_percent, abs=0.02)


def test_a_later_estimate_goes_on_from_the_profile_of_an_earlier_one() -> None:
    """Ten days and ten more from the profile reached are twenty days."""
    half = estimated(65.0, 10.0, 8.0)
    times_ms = np.arange(0, 10 * DAY_MS + 1, MINUTE_MS, dtype=np.int64)
    air = (np.full(len(times_ms), 21.1), np.full(len(times_ms), 65.0))
    onward = board_estimate(times_ms, *air, ORDINARY_OAK, half.profile_mc_percent)
    assert onward is not None
    assert onward.mean_mc_percent == pytest.approx(estimated(65.0, 20.0, 8.0).mean_mc_percent, abs=0.01)


def test_without_a_start_the_board_was_in_balance_and_does_not_move() -> None:
    """A start that nobody measured is the balance with the first air; in the same air nothing moves then."""
    assert estimated(50.0, 5.0, None).moved_percent == pytest.approx(0.0, abs=1e-6)


def test_gaps_are_bridged_and_said_and_no_air_is_no_estimate() -> None:
    """A day unheard in the middle is taken as the air before; no readings at all, or one instant, gives None."""
    times_ms = np.arange(0, 3 * DAY_MS + 1, MINUTE_MS, dtype=np.int64)
    rh_percent = np.full(len(times_ms), 65.0)
    rh_percent[(times_ms >= DAY_MS) & (times_ms < 2 * DAY_MS)] = np.nan
    found = board_estimate(times_ms, np.full(len(times_ms), 21.1), rh_percent, ORDINARY_OAK, 8.0)
    assert found is not None
    assert found.bridged_share == pytest.approx(1 / 3, abs=0.01)
    assert found.mean_mc_percent == pytest.approx(estimated(65.0, 3.0, 8.0).mean_mc_percent, abs=0.01)
    assert board_estimate(times_ms, rh_percent * np.nan, rh_percent, ORDINARY_OAK, 8.0) is None
    assert board_estimate(times_ms[:1], rh_percent[:1], rh_percent[:1], ORDINARY_OAK, 8.0) is None


@pytest.mark.parametrize("thickness_mm", [10.0, 20.0])
def test_steps_of_three_hours_are_fine_enough_for_a_mean(thickness_mm: float) -> None:
    """A month of days and weather in steps of three hours ends within 0.1 % MC of steps of ten minutes."""
    hours = np.arange(0, 30 * 24, 1 / 6)
    temperature_c = 20 + 3 * np.sin(hours / 24 * 2 * np.pi)
    rh_percent = 55 + 10 * np.sin(hours / 24 * 2 * np.pi) + 12 * np.sin(hours / 24 / 9 * 2 * np.pi)
    board = [described(replace(ORDINARY_OAK, thickness_mm=thickness_mm), 8.0)]
    fine = Climate(temperature_c, rh_percent)
    by_ten_minutes = simulate(board, fine, step_s=600.0)
    coarse = Climate(*(column.reshape(-1, 18).mean(axis=1) for column in (temperature_c, rh_percent)))
    by_three_hours = simulate(board, coarse, step_s=BOARD_STEP_MS / 1000)
    ends = [history.mean_mc_percent[-1, 0] for history in (by_ten_minutes, by_three_hours)]
    assert ends[1] == pytest.approx(ends[0], abs=0.1)


@pytest.mark.parametrize(
    ("width_mm", "given", "bounds"), [(57.0, None, (4.1, 12.1)), (140.0, None, (6.1, 10.1)), (57.0, 1.0, (7.1, 9.1))]
)
def test_boards_are_to_keep_the_target_in_service(
    width_mm: float, given: float | None, bounds: tuple[float, float]
) -> None:
    """Without a target of their own, that of the conditions in service (8.1 %); ± 4 for strip, ± 2 for plank."""
    service = InService(Bounds(18, 24), Bounds(30, 55))
    boards = replace(ORDINARY_OAK, width_mm=width_mm, tolerance_percent=given)
    found = board_bounds(Room("x", "x", boards=boards, in_service=service))
    assert found is not None
    assert (found.low, found.high) == pytest.approx(bounds)
    assert board_bounds(Room("x", "x", boards=boards)) is None


def marched(path: Path, boards: Boards, days: int, temperature_c: float, rh_percent: float, heard_day: int) -> Series:
    """March boards through days of one air, read by the hour from a day on, as the daemon does."""
    room = Room("store", "Store", boards=replace(boards, first_day="1970-01-02"))
    sensor = Sensor("a", "store")
    site = Site("An invented site", rooms=(room,), sensors=(sensor,))
    readings = [
        Reading("a", name, value, at_ms, Stamp.SENSOR)
        for at_ms in range(heard_day * DAY_MS, (days + 1) * DAY_MS, 60 * MINUTE_MS)
        for name, value in (("temperature_c", temperature_c), ("rh_percent", rh_percent))
    ]
    with SqliteStore.open(path / "lumberroom.sqlite3") as store:
        with store.transaction() as work:
            work.save_site(site, at_ms=0, by=SETTINGS)
            work.append(ReadingBatch.of(readings), heard_ms=(days + 1) * DAY_MS)
        air = Air(store.read, (sensor,), (), room, "UTC")
        return boards_mc(air, sensor, DAY_MS, (days + 1) * DAY_MS, ()).figures


def test_wet_boards_wait_for_the_first_air_as_the_meter_found_them(tmp_path: Path) -> None:
    """29 % by a meter, more than any air at 20 °C holds (28 %, Wood Handbook Eq. 4-5): unheard, unmoved."""
    wet = replace(ORDINARY_OAK, mc_percent=29.0, target_percent=29.0, tolerance_percent=3.0)
    daily = marched(tmp_path, wet, 20, 20.0, 95.0, heard_day=11)
    straight = estimated(95.0, 1.0, 29.0)
    assert daily.value[0] == pytest.approx(straight.mean_mc_percent, abs=0.1)


def test_air_too_cold_for_any_emc_is_taken_as_unheard(tmp_path: Path) -> None:
    """At -40 °C the equation has no moisture content: nothing is told, and the march does not fail."""
    cold = replace(ORDINARY_OAK, mc_percent=9.0, target_percent=9.0)
    assert not len(marched(tmp_path, cold, 5, -40.0, 60.0, heard_day=1).value)


def test_a_saturated_lot_is_marched_from_block_to_block(tmp_path: Path) -> None:
    """300 mm at 30 % in cold air: rounding to 30.0000000000004 % at the end of a block stops no later one."""
    saturated = replace(ORDINARY_OAK, thickness_mm=300.0, mc_percent=30.0, target_percent=30.0, tolerance_percent=3.0)
    daily = marched(tmp_path, saturated, 70, -15.0, 80.0, heard_day=1)
    assert len(daily.value) == 69
    assert daily.value[-1] < 30.0
