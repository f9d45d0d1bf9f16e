"""What moisture does to a board's width, to a floor's gaps and to its flatness.

Two formulas of the Wood Handbook (FPL-GTR-190, 2010, chapter 13):

* Eq. 13-2, for moisture contents of 6..14 %:  change = D C (MF - MI), with the species' coefficient C;
* Eq. 13-3, outside that range:  change = D (MF - MI) / (30 (100 / S) - 30 + MI), with its total shrinkage S [%].
  (The form is from memory of the handbook; it reproduces the printed coefficients: `species.shrinkage_from_change`.)

Both speak of a board that is free to move: a floor held by its fastenings, its neighbours or the walls moves less and
presses more. Real boards of one species differ by a quarter from the printed value; growth rings are never all at one
angle. Above the fibre-saturation point (30 % MC) wood neither swells nor shrinks, and moisture counts as 30 %.
"""

from __future__ import annotations

import enum
import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.physics.pointwise import FloatArray, Number, Values, inside, pointwise
from ingest.physics.species import FIBRE_SATURATION_PERCENT, Species

COEFFICIENT_RANGE_PERCENT: Final = (6.0, 14.0)
FLAT_SAWN_DEGREES: Final = 0.0
QUARTER_SAWN_DEGREES: Final = 90.0


class Method(enum.Enum):
    """By which of the handbook's two formulas, or by both, a change was computed."""

    COEFFICIENT = "dimensional-change coefficient (Wood Handbook Eq. 13-2)"
    SHRINKAGE = "total shrinkage (Wood Handbook Eq. 13-3)"
    BOTH = "the coefficient between 6 and 14 % MC, total shrinkage beyond (Wood Handbook Eq. 13-2, 13-3)"


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


def change_by_coefficient(coefficient: Number, mc_from_percent: Number, mc_to_percent: Number) -> Number:
    """Fractional change of a dimension by Eq. 13-2.

    coefficient: [fraction per % MC].  mc_from_percent, mc_to_percent: [% MC], 6..14, else NaN: beyond, Eq. 13-3 holds.
    """
    return pointwise(_by_coefficient, coefficient, mc_from_percent, mc_to_percent)


def change_by_shrinkage(shrinkage_percent: Number, mc_from_percent: Number, mc_to_percent: Number) -> Number:
    """Fractional change of a dimension by Eq. 13-3, from one moisture content to another.

    shrinkage_percent: green to oven-dry [%], above 0.  mc_from_percent, mc_to_percent: [% MC], from 0; above 30 they
    count as 30.  NaN for negative values.
    """
    return pointwise(_by_shrinkage, shrinkage_percent, mc_from_percent, mc_to_percent)


def fractional_change(
    species: Species, mc_from_percent: float, mc_to_percent: float, ring_angle_degrees: float = FLAT_SAWN_DEGREES
) -> tuple[float, Method]:
    """Give the fractional change of a board's width, and by which formula.

    Inside 6..14 % MC by Eq. 13-2. A way that leads beyond is gone part by part: Eq. 13-2 between 6 and 14 %, Eq. 13-3
    below and above, each on the width that the part before left. So there is no jump at the ends of the coefficient's
    range, where the two formulae differ by more than 5 % for some species (Eq. 13-3 takes 30 % as the fibre saturation
    of every species).  NaN for negative moisture contents and angles outside 0..90°.
    """
    angle = ring_angle_degrees
    coefficient = float(across(species.change_radial, species.change_tangential, angle))
    low, high = COEFFICIENT_RANGE_PERCENT
    if all(low <= mc <= high for mc in (mc_from_percent, mc_to_percent)):
        return float(change_by_coefficient(coefficient, mc_from_percent, mc_to_percent)), Method.COEFFICIENT
    shrinkage = float(across(species.shrinkage_radial_percent, species.shrinkage_tangential_percent, angle))
    stops = [low, high] if mc_from_percent <= mc_to_percent else [high, low]
    ends = sorted((mc_from_percent, mc_to_percent))
    way = [mc_from_percent, *(stop for stop in stops if ends[0] < stop < ends[1]), mc_to_percent]
    width, method = 1.0, Method.SHRINKAGE
    for start, end in itertools.pairwise(way):
        inside = low <= min(start, end) and max(start, end) <= high
        change, of = (change_by_coefficient, coefficient) if inside else (change_by_shrinkage, shrinkage)
        method = Method.BOTH if inside else method
        width *= 1.0 + float(change(of, start, end))
    return width - 1.0, method


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


def cup_mm(
    width_mm: Number, thickness_mm: Number, coefficient: Number, mc_top_percent: Number, mc_bottom_percent: Number
) -> Number:
    """Depth of cup of a free board whose moisture runs straight from face to face [mm]; negative is a crown.

    Positive: edges up, the underside the wetter. Width and thickness [mm]; coefficient across the width [fraction per
    % MC]; moisture contents of the two faces [%]. The faces' lengths differ by C dM, which bends the board to a
    curvature of C dM / thickness and a rise of width² C dM / (8 thickness). A floor that is held down cups less; it is
    an indicator of how hard it tries, and no forecast. Geometry, no table.
    """
    return pointwise(_cup, width_mm, thickness_mm, coefficient, mc_top_percent, mc_bottom_percent)


def _by_coefficient(coefficient: FloatArray, mc_from: FloatArray, mc_to: FloatArray) -> FloatArray:
    return coefficient * (inside(mc_to, *COEFFICIENT_RANGE_PERCENT) - inside(mc_from, *COEFFICIENT_RANGE_PERCENT))


def _by_shrinkage(shrinkage: FloatArray, mc_from: FloatArray, mc_to: FloatArray) -> FloatArray:
    fsp = FIBRE_SATURATION_PERCENT
    start = np.minimum(inside(mc_from, 0.0, np.inf), fsp)
    end = np.minimum(inside(mc_to, 0.0, np.inf), fsp)
    return (end - start) / (fsp * 100.0 / np.where(shrinkage > 0.0, shrinkage, np.nan) - fsp + start)


def _cup(
    width: FloatArray, thickness: FloatArray, coefficient: FloatArray, top: FloatArray, bottom: FloatArray
) -> FloatArray:
    return width * width * coefficient * (bottom - top) / (8.0 * thickness)
