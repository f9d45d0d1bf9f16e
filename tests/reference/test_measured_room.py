"""A real room's winter (TRH database, CC BY 4.0, tests/data/measured_room): what the models say of it is believable."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.physics import air, mould, uncertainty, wood
from ingest.physics.board import Board, Climate, bridged, simulate
from ingest.physics.settling import settling
from ingest.physics.surface import surface_rh_percent, surface_temperature_c

Array = NDArray[np.float64]
INDOOR = Path(__file__).parents[1] / "data" / "measured_room" / "indoor.csv"
A_DAY = 144


@pytest.fixture(scope="module")
def room() -> Climate:
    """The room's air every ten minutes from Christmas 2020 to May 2021, the sensor's settling left out."""
    with INDOOR.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))[7 * A_DAY :]
    t, rh = (np.array([float(row[column] or "nan") for row in rows]) for column in ("T", "RH"))
    filled_t, share = bridged(t)
    filled_rh, _ = bridged(rh)
    assert share < 0.01
    return Climate(filled_t, filled_rh)


def test_a_board_smooths_the_winter(room: Climate) -> None:
    """A 20 mm board's mean moves less than the room's daily EMC, and stays within its extremes."""
    emc = wood.emc_percent(room.temperature_c, room.rh_percent)
    days = emc.size // A_DAY
    daily = emc[: days * A_DAY].reshape(days, A_DAY).mean(axis=1)
    board = simulate([Board(20.0, float(daily[:14].mean()), 0.6)], room, record_every=A_DAY).mean_mc_percent[1:, 0]
    assert np.ptp(board) < 0.6 * np.ptp(daily)
    assert daily.min() < board.min() < board.max() < daily.max()
    # The board remembers: it goes with the mean EMC of the last three weeks more closely than with today's.
    weeks = np.convolve(daily, np.full(21, 1.0 / 21.0), mode="valid")  # ends on days 20, 21, ...
    with_weeks = np.corrcoef(board[30:days], weeks[10 : days - 20])[0, 1]
    assert with_weeks > 0.9
    assert with_weeks > np.corrcoef(board[30:days], daily[30:days])[0, 1]


def test_the_winter_dries_the_room_as_heated_outdoor_air_does(room: Climate) -> None:
    """A Finnish room in February: EMC of 3 to 6 % MC, far below the 9 % of a floor laid in summer."""
    february = slice(39 * A_DAY, 67 * A_DAY)
    emc = wood.emc_percent(room.temperature_c[february], room.rh_percent[february]).mean()
    assert 2.5 < float(emc) < 6.5


def test_no_mould_in_the_room_but_on_a_cold_bridge_there_may_be(room: Climate) -> None:
    """The dry winter room grows none; at a surface that takes 40 % of the way to -10 °C the air is much more humid."""
    hours = room.temperature_c.size // 6
    t, rh = (column[: hours * 6].reshape(hours, 6).mean(axis=1) for column in (room.temperature_c, room.rh_percent))
    assert mould.mould_index(t, rh).max() == 0.0
    humid = surface_rh_percent(t, rh, surface_temperature_c(t, np.full_like(t, -10.0), 0.6))
    assert float(humid.mean()) > 1.5 * float(rh.mean())


def test_a_board_of_christmas_has_dried_by_may_and_settles_in_the_spring(room: Climate) -> None:
    """A board brought in at 10 % MC for Christmas has dried by May; in the air of its last fortnight it settles."""
    spring = Climate(room.temperature_c[-14 * A_DAY :], room.rh_percent[-14 * A_DAY :])
    by_may = simulate([Board(20.0, 10.0, 0.6)], room)
    assert by_may.mean_mc_percent[-1, 0] < 9.0
    target = float(wood.emc_percent(spring.temperature_c, spring.rh_percent).mean())
    there = Board(20.0, tuple(by_may.profile_mc_percent[:, 0].tolist()), 0.6)
    assert settling(there, spring, target_percent=target, step_s=600.0).days is not None


def test_uncertainty_of_the_emc_of_this_room(room: Climate) -> None:
    """With ±0.3 °C and ±2 % RH stated, the winter's EMC is known to some tenths of a per cent MC, not better."""
    u_t, u_rh = uncertainty.standard_from_limits(0.3), uncertainty.standard_from_limits(2.0)
    sure = uncertainty.emc_uncertainty_percent(room.temperature_c, room.rh_percent, u_t, u_rh)
    assert 0.2 < float(np.median(sure.expanded)) < 0.8
    dew = air.dew_point_c(room.temperature_c, room.rh_percent)
    assert np.isfinite(dew).all()
