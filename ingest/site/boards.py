"""The boards that lie in a room: what an estimate of their moisture needs to know of them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

from ingest.physics.board import HIGHEST_MC_PERCENT
from ingest.physics.species import find_species


@dataclass(frozen=True, slots=True)
class Boards:
    """A lot of boards alike.

    species: as `ingest.physics.species.find_species` knows it.  thickness_mm, width_mm: of one board, above 0.
    mc_percent: its mean moisture content on the morning of `first_day`, by a meter (% MC, 0..30); with None it is taken
    to have been in balance with the first air that is known of the room.  first_day: ISO 8601 date, such as
    "2026-11-25", at the site's midnight; with "" the lot has lain there since the first reading.
    quarter_sawn: rings upright.  both_faces: air on both faces (stickered); False for boards that are laid, whose
    underside is taken as sealed.
    target_percent: what its mean is to keep (% MC); None: what follows from the room's conditions in service, if it
    has any.  tolerance_percent: how far from that it may be (± % MC); None: by the board's width
    (`default_tolerance_percent`).

    Raises ValueError for measures that cannot be, and InputError for a species that is not known.
    """

    species: str
    thickness_mm: float
    width_mm: float
    mc_percent: float | None = None
    first_day: str = ""
    quarter_sawn: bool = False
    both_faces: bool = True
    target_percent: float | None = None
    tolerance_percent: float | None = None

    def __post_init__(self) -> None:
        find_species(self.species)
        if not (self.thickness_mm > 0 and self.width_mm > 0):
            raise ValueError("a board's thickness and width must be above 0")
        for name, value in (("moisture content", self.mc_percent), ("target", self.target_percent)):
            if value is not None and not 0 <= value <= HIGHEST_MC_PERCENT:
                raise ValueError(f"a board's {name} must be 0..{HIGHEST_MC_PERCENT:g} %, not {value}")
        if self.tolerance_percent is not None and not self.tolerance_percent > 0:
            raise ValueError("a tolerance must be above 0 % MC")
        if self.first_day:
            dt.date.fromisoformat(self.first_day)


ORDINARY_OAK: Final = Boards("White oak, commercial", thickness_mm=20.0, width_mm=140.0)
"""An ordinary floor board (20 mm oak, 140 mm wide; our choice): of the demonstration, and of tests."""
