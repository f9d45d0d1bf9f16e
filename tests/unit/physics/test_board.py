"""A board in a room: what must hold whatever the coefficients."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.physics import wood
from ingest.physics.board import Board, Climate, bridged, closed_stack, simulate
from ingest.physics.diffusivity import FINISHES
from ingest.physics.settling import settling


def steady(t: float, rh: float, steps: int) -> Climate:
    """A climate that stays as it is."""
    return Climate(np.full(steps, t), np.full(steps, rh))


def stormy(steps: int, seed: int = 1) -> Climate:
    """A climate that jumps about at random, as no room does."""
    rng = np.random.default_rng(seed)
    return Climate(rng.uniform(0.0, 35.0, steps), rng.uniform(10.0, 95.0, steps))


@settings(max_examples=15)
@given(
    st.floats(3.0, 80.0),
    st.floats(2.0, 28.0),
    st.floats(0.3, 0.9),
    st.sampled_from(sorted(FINISHES)),
    st.integers(0, 99),
)
def test_mass_is_kept(thickness: float, mc: float, gravity: float, finish: str, seed: int) -> None:
    """What a board gains is what came in through its faces, to 1e-10 % MC, in any climate and with any finish."""
    board = Board(thickness, mc, gravity, top_resistance=FINISHES[finish])
    history = simulate([board], stormy(300, seed))
    gained = history.mean_mc_percent[-1] - history.mean_mc_percent[0]
    np.testing.assert_allclose(gained, history.taken_in_percent, atol=1e-10)


@settings(max_examples=15)
@given(st.floats(3.0, 40.0), st.floats(2.0, 28.0), st.sampled_from([60.0, 3600.0, 1e6]))
def test_the_board_stays_between_its_start_and_its_air(thickness: float, mc: float, step_s: float) -> None:
    """No overshoot and no oscillation, however long the step: the scheme is stable without condition."""
    history = simulate([Board(thickness, mc)], steady(20.0, 55.0, 60), step_s=step_s)
    emc = wood.emc_percent(20.0, 55.0)
    low, high = min(mc, emc) - 1e-9, max(mc, emc) + 1e-9
    assert np.all((history.profile_mc_percent >= low) & (history.profile_mc_percent <= high))
    assert np.all((history.mean_mc_percent >= low) & (history.mean_mc_percent <= high))


def test_a_board_ends_at_the_emc_of_its_room() -> None:
    """After a year of one climate a thin board has its EMC."""
    history = simulate([Board(10.0, 14.0)], steady(20.0, 45.0, 8760), step_s=3600.0)
    assert history.mean_mc_percent[-1, 0] == pytest.approx(wood.emc_percent(20.0, 45.0), abs=0.01)


def test_a_sealed_board_does_not_move() -> None:
    """With both faces sealed nothing comes in or goes out."""
    board = Board(20.0, 11.0, top_resistance=float("inf"), bottom_resistance=float("inf"))
    history = simulate([board], stormy(500))
    assert history.mean_mc_percent[-1, 0] == pytest.approx(11.0, abs=1e-12)


def test_thick_heavy_lacquered_and_stacked_boards_are_slower() -> None:
    """After ten days the bare thin light board has moved farthest, and each hindrance slows it."""
    bare = Board(15.0, 12.0, 0.45)
    variants = [
        bare,
        Board(25.0, 12.0, 0.45),
        Board(15.0, 12.0, 0.75),
        Board(15.0, 12.0, 0.45, top_resistance=FINISHES["polyurethane lacquer"]),
        closed_stack(bare, 5),
    ]
    moved = 12.0 - simulate(variants, steady(20.0, 35.0, 1440)).mean_mc_percent[-1]
    assert np.all(moved > 0.0)
    assert np.all(moved[1:] < moved[0] * 0.95)


def test_one_damp_face_makes_a_gradient() -> None:
    """Over a damp slab the underside is wetter than the top: the moisture difference that cups a floor."""
    board = Board(20.0, 9.0, top_resistance=FINISHES["polyurethane lacquer"])
    history = simulate([board], steady(20.0, 40.0, 4320), steady(20.0, 85.0, 4320))
    profile = history.profile_mc_percent[:, 0]
    assert profile[-1] - profile[0] > 3.0
    assert np.all(np.diff(profile) > 0.0)


def test_marching_in_two_parts_is_marching_in_one() -> None:
    """The profile carries all the board remembers: a daemon may stop and go on."""
    climate = stormy(720)
    first = Climate(climate.temperature_c[:360], climate.rh_percent[:360])
    rest = Climate(climate.temperature_c[360:], climate.rh_percent[360:])
    whole = simulate([Board(18.0, 10.0)], climate)
    half = simulate([Board(18.0, 10.0)], first)
    again = simulate([Board(18.0, tuple(half.profile_mc_percent[:, 0].tolist()))], rest)
    np.testing.assert_allclose(again.profile_mc_percent, whole.profile_mc_percent, atol=1e-9)


def test_boards_do_not_touch_each_other() -> None:
    """A hundred boards at once give what each gives alone."""
    boards = [Board(10.0 + i, 8.0 + 0.1 * i, 0.4 + 0.005 * i) for i in range(30)]
    together = simulate(boards, stormy(200))
    alone = simulate([boards[17]], stormy(200))
    np.testing.assert_allclose(together.mean_mc_percent[:, 17], alone.mean_mc_percent[:, 0], rtol=1e-12)


def test_coefficients_kept_for_two_hours_change_nothing_that_matters() -> None:
    """Against coefficients renewed at every (two-hour) step, the end of twenty swinging days differs by < 0.05 % MC."""
    t = np.arange(6 * 24 * 20) / (6 * 24)
    climate = Climate(20.0 + 3.0 * np.sin(2 * np.pi * t), 50.0 + 15.0 * np.sin(2 * np.pi * t))
    kept = simulate([Board(15.0, 9.0)], climate).mean_mc_percent[-1, 0]
    coarse = Climate(climate.temperature_c[::12], climate.rh_percent[::12])
    renewed = simulate([Board(15.0, 9.0)], coarse, step_s=7200.0).mean_mc_percent[-1, 0]
    assert kept == pytest.approx(renewed, abs=0.05)


def test_gaps_are_refused_and_bridged_only_on_request() -> None:
    """NaN in a climate is an error; a bridged one says how much of it was made up."""
    values = np.array([np.nan, 1.0, np.nan, np.nan, 4.0])
    with pytest.raises(ValueError, match="gaps"):
        Climate(values, values)
    filled, share = bridged(values)
    np.testing.assert_array_equal(filled, [1.0, 1.0, 1.0, 1.0, 4.0])
    assert share == pytest.approx(0.6)
    with pytest.raises(ValueError, match="nothing but gaps"):
        bridged(np.array([np.nan]))


@pytest.mark.parametrize(
    "wrong",
    [
        {"thickness_mm": 0.0},
        {"thickness_mm": float("inf")},
        {"mc_percent": 45.0},
        {"diffusion_factor": 0.0},
        {"film_resistance": -1.0},
        {"top_resistance": float("nan")},
        {"specific_gravity": float("nan")},
        {"specific_gravity": -0.5},
    ],
)
def test_impossible_boards_are_refused(wrong: dict[str, float]) -> None:
    """A board without size or weight, above fibre saturation or with negative coefficients cannot be made."""
    with pytest.raises(ValueError, match="board"):
        Board(**{"thickness_mm": 20.0, "mc_percent": 9.0, **wrong})


def test_settling_brackets_the_date_and_knows_when_there_is_none() -> None:
    """The central date lies between the fast and the slow one; a room that leads elsewhere has no date."""
    room = steady(20.0, 40.0, 2)
    found = settling(Board(20.0, 12.0, 0.6), room, target_percent=wood.emc_percent(20.0, 40.0))
    assert found.days is not None
    assert found.fastest_days is not None
    assert found.slowest_days is not None
    assert found.fastest_days < found.days < found.slowest_days
    assert found.days / found.fastest_days == pytest.approx(2.0, abs=0.2)
    never = settling(Board(20.0, 12.0, 0.6), steady(20.0, 75.0, 2), target_percent=8.0)
    assert never.days is None
    assert never.final_mc_percent == pytest.approx(wood.emc_percent(20.0, 75.0), abs=0.2)


def test_a_board_already_there_has_settled_at_once() -> None:
    """Within tolerance from the start and staying so: zero days."""
    emc = wood.emc_percent(20.0, 50.0)
    assert settling(Board(20.0, emc), steady(20.0, 50.0, 2), target_percent=emc).days == 0.0
    with pytest.raises(ValueError, match="tolerance"):
        settling(Board(20.0, emc), steady(20.0, 50.0, 2), target_percent=emc, tolerance_percent=0.0)


def test_a_thick_board_takes_four_times_as_long_as_one_half_as_thick() -> None:
    """Where diffusion inside rules, time goes with the square of thickness."""
    room, target = steady(20.0, 40.0, 2), wood.emc_percent(20.0, 40.0)
    thin = settling(Board(12.0, 12.0, 0.6), room, target_percent=target).days
    thick = settling(Board(24.0, 12.0, 0.6), room, target_percent=target).days
    assert thin is not None
    assert thick is not None
    assert 3.0 < thick / thin < 4.1


def test_climates_turn() -> None:
    """Turning goes round."""
    assert Climate(np.arange(14.0), np.full(14, 50.0)).turned(3).temperature_c.tolist() == [*range(3, 14), 0, 1, 2]
