"""What a room will be like once it is lived in, and what follows from that for the wood that is brought to it. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ingest.physics.wood import emc_percent
from ingest.site.bounds import Bounds

NARROW_UP_TO_MM: Final = 76.2
"""3 inches: boards narrower than this count as strip, others as plank (United States wood-flooring trade, as quoted;
its sources leave open on which side 3 inches themselves lie)."""

STRIP_TOLERANCE_PERCENT: Final = 4.0
PLANK_TOLERANCE_PERCENT: Final = 2.0
"""How far flooring may be from its subfloor in moisture content (% MC; United States wood-flooring trade, as quoted).
Taken here for how far boards may be from the moisture content that they will have in service, which is our choice."""


@dataclass(frozen=True, slots=True)
class InService:
    """The conditions of later use: the whole season's range, dry to damp, cool to warm.

    temperature_c, rh_percent: bounds with both ends set.  tolerance_percent: how far from the target the EMC may be
    (± % MC); 2 as for plank, where nothing else is said.  Raises ValueError for an open end or no tolerance.
    """

    temperature_c: Bounds
    rh_percent: Bounds
    tolerance_percent: float = PLANK_TOLERANCE_PERCENT

    def __post_init__(self) -> None:
        for name in ("temperature_c", "rh_percent"):
            bounds = getattr(self, name)
            if bounds.low is None or bounds.high is None:
                raise ValueError(f"the conditions in service need both ends of {name}")
        if not self.tolerance_percent > 0:
            raise ValueError("a tolerance must be above 0 % MC")

    def emc_range(self) -> tuple[float, float]:
        """Give the lowest and the highest EMC of the season (% MC): warm and dry, cool and damp."""
        temperature, rh = self.temperature_c, self.rh_percent
        assert temperature.low is not None
        assert temperature.high is not None
        assert rh.low is not None
        assert rh.high is not None
        return float(emc_percent(temperature.high, rh.low)), float(emc_percent(temperature.low, rh.high))

    def target_percent(self) -> float:
        """Give the moisture content to bring wood to (% MC): the middle of the season's range."""
        low, high = self.emc_range()
        return (low + high) / 2

    def emc_bounds(self) -> Bounds:
        """Give the EMC that the air must keep while wood is brought there: the target ± the tolerance, to 0.1 % MC."""
        target = self.target_percent()
        return Bounds(round(max(target - self.tolerance_percent, 0.0), 1), round(target + self.tolerance_percent, 1))


def default_tolerance_percent(width_mm: float) -> float:
    """Give how far boards of that width may be from their target (± % MC), where nothing else is said."""
    return STRIP_TOLERANCE_PERCENT if width_mm < NARROW_UP_TO_MM else PLANK_TOLERANCE_PERCENT
