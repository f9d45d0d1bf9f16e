"""What moisture does to a board's width, and to a floor's gaps.

Between 6 and 14 % MC the Wood Handbook (FPL-GTR-190, 2010, chapter 13) has Eq. 13-2, change = D C (MF - MI), with the
species' coefficient C. Beyond, its Eq. 13-3 takes total shrinkage S and one fibre saturation (30 %) for all, and so
disagrees with C at the edge where a species begins to shrink elsewhere: western red cedar at 22 %. Here each species
goes on along the line of its own C to the moisture content at which that line has used up its own S
(`species.shrinks_below_percent`). Chapter 4 tells to put a species' own figure in the place of 30 where it is known
(from memory), and the two tables give it. So nothing jumps at 6 or 14 %, and from green to oven-dry it is S.

All of it speaks of a board that is free to move: a floor held by its fastenings, its neighbours or the walls moves less
and presses more. Real boards of one species differ by a quarter from the printed value; growth rings are never all at
one angle. Wood neither swells nor shrinks above the moisture content at which shrinking begins.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.physics.pointwise import FloatArray, Number, Values, inside, pointwise
from ingest.physics.species import Species

COEFFICIENT_RANGE_PERCENT: Final = (6.0, 14.0)
FLAT_SAWN_DEGREES: Final = 0.0
QUARTER_SAWN_DEGREES: Final = 90.0


class Method(enum.Enum):
    """How a change was computed."""

    COEFFICIENT = "dimensional-change coefficient (Wood Handbook Eq. 13-2)"
    EXTENDED = "the same coefficient, carried beyond 6 to 14 % MC to where the species begins to shrink"


@dataclass(frozen=True, slots=True)
class FloorMovement:
    """What a floor of free boards does between two moisture contents."""

    board_change_mm: float  # of one board's width; negative shrinks
    run_change_mm: float  # of the whole run, were it one piece
    gap_per_board_mm: float  # opened between boards held at their middles; 0 when they swell
    method: Method


def across(radial: float, tangential: float, ring_angle_degrees: Values) -> Values:
    """Give the coefficient (or shrinkage) across a board's width for rings at this angle to its wide face.

    0° is flat-sawn (tangential), 90° quarter-sawn (radial); between them the strain turns as a tensor does,
    T cos² + R sin².  NaN for angles outside 0..90°.
    """
    angle = np.asarray(ring_angle_degrees, dtype=np.float64)
    angle = np.where((angle >= 0.0) & (angle <= 90.0), np.radians(angle), np.nan)
    result = tangential * np.cos(angle) ** 2 + radial * np.sin(angle) ** 2
    return float(result) if result.ndim == 0 else result


def change_across(
    coefficient: Number, shrinks_below_percent: Values, mc_from_percent: Values, mc_to_percent: Values
) -> Number:
    """Fractional change of a dimension between two moisture contents: Eq. 13-2 inside 6..14 % MC, joined to it beyond.

    coefficient: [fraction per % MC].  shrinks_below_percent: where shrinking begins, above 14; moisture counts so far.
    mc_from_percent, mc_to_percent: [% MC], at least 0, else NaN.
    """
    return pointwise(_change, coefficient, shrinks_below_percent, mc_from_percent, mc_to_percent)


def fractional_change(
    species: Species, mc_from_percent: float, mc_to_percent: float, ring_angle_degrees: float = FLAT_SAWN_DEGREES
) -> tuple[float, Method]:
    """Give the fractional change of a board's width, and how it was computed.

    NaN for negative moisture contents and angles outside 0..90°.
    """
    way = (mc_from_percent, mc_to_percent)
    radial = change_across(species.change_radial, species.shrinks_below_radial_percent, *way)
    tangential = change_across(species.change_tangential, species.shrinks_below_tangential_percent, *way)
    low, high = COEFFICIENT_RANGE_PERCENT
    method = Method.COEFFICIENT if all(low <= mc <= high for mc in way) else Method.EXTENDED
    return float(across(radial, tangential, ring_angle_degrees)), method


def floor_movement(
    species: Species,
    *,
    board_width_mm: float,
    run_mm: float,
    mc_from_percent: float,
    mc_to_percent: float,
    ring_angle_degrees: float = FLAT_SAWN_DEGREES,
) -> FloorMovement:
    """Give what a floor of free boards does across its run between two moisture contents.

    board_width_mm, run_mm: face width of a board and extent of the floor across the boards [mm].
    """
    fraction, method = fractional_change(species, mc_from_percent, mc_to_percent, ring_angle_degrees)
    board = board_width_mm * fraction
    return FloorMovement(board, run_mm * fraction, board if math.isnan(board) else max(0.0, -board), method)


def expansion_space_mm(
    species: Species,
    *,
    run_mm: float,
    mc_laid_percent: float,
    mc_wettest_percent: float,
    ring_angle_degrees: float = FLAT_SAWN_DEGREES,
) -> float:
    """Give the room a free floor needs to swell from the MC it is laid at to its wettest [mm], both sides together.

    0 when it only shrinks. Local rules and the product's instructions may ask for more; they come first.
    """
    fraction, _ = fractional_change(species, mc_laid_percent, mc_wettest_percent, ring_angle_degrees)
    return fraction if math.isnan(fraction) else max(run_mm * fraction, 0.0)


def _change(coefficient: FloatArray, below: FloatArray, mc_from: FloatArray, mc_to: FloatArray) -> FloatArray:
    low, high = COEFFICIENT_RANGE_PERCENT
    start, end = (np.minimum(inside(mc, 0.0, np.inf), below) for mc in (mc_from, mc_to))
    # C is of the size at 10 % MC. Eq. 13-2 takes any size in its range for it; going away from the range the size is
    # brought in bit by bit, so that from green (and from oven-dry) it is all there.
    beyond = np.where(
        start > high, (start - high) * (below - 10.0) / (below - high), np.minimum(start - low, 0.0) / 0.6
    )
    return np.asarray(coefficient * (end - start) / (1.0 + coefficient * beyond))
