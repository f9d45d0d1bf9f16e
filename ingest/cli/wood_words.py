"""An answer of `lumberroom wood`, for people and for programs, and the words that all of them share."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.physics import wood
from ingest.present.digits import Units
from ingest.units import fahrenheit_from_celsius

EMC_CAUTION: Final = (
    "EMC is the Wood Handbook's equation for wood in general; a real board stands 1 to 2 % MC from it, by species, "
    "past and direction of change. A meter's readings decide, and the flooring maker's instructions come first."
)
_WIDTH: Final = 78


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer.  lines: what people read, (what, figure).  values: what programs read, units in the names."""

    lines: tuple[tuple[str, str], ...]
    values: Mapping[str, object]
    cautions: tuple[str, ...]

    def for_people(self) -> str:
        """Give the figures as a small table, the cautions under it."""
        widest = max(len(what) for what, _ in self.lines)
        rows = [f"{what:<{widest}}  {figure}" for what, figure in self.lines]
        notes = [textwrap.fill(caution, _WIDTH) for caution in self.cautions]
        return "\n\n".join(["\n".join(rows), *notes])

    def as_json(self) -> str:
        """Give one JSON object with `cautions`; null is a figure that does not exist."""
        return json.dumps({**self.values, "cautions": list(self.cautions)}, ensure_ascii=False, indent=2)


def rounded(value: float | None) -> float | None:
    """Give a figure with six digits, None where there is none."""
    return None if value is None or np.isnan(value) else float(f"{value:.6g}")


def temperature_words(temperature_c: float, units: Units) -> str:
    """Say a temperature."""
    return f"{fahrenheit_from_celsius(temperature_c):.4g} °F" if units is Units.US else f"{temperature_c:.3g} °C"


@dataclass(frozen=True, slots=True)
class Air:
    """Air as it was told on the command line."""

    temperature_c: float
    rh_percent: float

    def words(self, units: Units) -> str:
        """Say it: 21 °C, 45 % RH."""
        return f"{temperature_words(self.temperature_c, units)}, {self.rh_percent:.3g} % RH"

    @property
    def emc_percent(self) -> float:
        """Give the EMC of wood in this air."""
        return wood.emc_percent(self.temperature_c, self.rh_percent)


def range_cautions(airs: list[Air], units: Units) -> list[str]:
    """Say that EMC is an extrapolation for any of these airs, where it is."""
    if all(wood.within_emc_range(air.temperature_c, air.rh_percent) for air in airs):
        return []
    in_units, unit = (fahrenheit_from_celsius, "°F") if units is Units.US else (float, "°C")
    low, high = (round(in_units(limit)) for limit in wood.EMC_TABLE_TEMPERATURE_C)
    low_rh, high_rh = wood.EMC_TABLE_RH_PERCENT
    return [
        f"Outside {low_rh:g} to {high_rh:g} % RH and {low} to {high} {unit} the equation is an extrapolation beyond "
        "the published table."
    ]
