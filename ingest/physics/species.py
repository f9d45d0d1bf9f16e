"""Woods by name: dimensional-change coefficients, shrinkage and specific gravity, from `data/species.csv`.

The file is read once, on first use; every row names its source (mostly tables of the Wood Handbook, FPL-GTR-190, 2010),
on which basis its specific gravity was read, and how far the row is to be trusted.
"""

from __future__ import annotations

import csv
import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Final

from ingest.errors import InputError

_NAMED_AT_MOST: Final = 10  # species that a refusal lists
FIBRE_SATURATION_PERCENT: Final = 30.0
"""Moisture content above which wood does not swell: the handbook's convention where a species' own is not known."""


@dataclass(frozen=True, slots=True)
class Species:
    """One wood.  Coefficients are fractions of the dimension per 1 % MC, valid for 6..14 % MC."""

    name: str
    group: str  # hardwood, softwood or imported
    change_radial: float
    change_tangential: float
    shrinkage_radial_percent: float  # green to oven-dry, of the green dimension
    shrinkage_tangential_percent: float
    shrinkage_read: bool  # False: computed back from the change coefficients, which have it built in
    specific_gravity_12: float | None  # oven-dry mass, volume at 12 % MC; None where not had
    specific_gravity_from: str  # what was read: "12", "green", "density", "group mean"; empty where not had
    confidence: str  # of the row: high, medium or low, as the file's head defines them
    source: str

    @property
    def shrinks_below_radial_percent(self) -> float:
        """Give the moisture content at which it begins to shrink across the rings [% MC]."""
        return shrinks_below_percent(self.change_radial, self.shrinkage_radial_percent)

    @property
    def shrinks_below_tangential_percent(self) -> float:
        """Give the moisture content at which it begins to shrink along the rings [% MC]."""
        return shrinks_below_percent(self.change_tangential, self.shrinkage_tangential_percent)


def shrinks_below_percent(change_coefficient: float, shrinkage_percent: float) -> float:
    """Give the moisture content [%] from which a straight line by the coefficient comes to the total shrinkage at 0 %.

    With the coefficient C on the size at 10 % MC and s = S/100: M = (s/C - 10 s)/(1 - s). 29.9 to 30.1 for four in five
    of the handbook's species; 22 for western red and northern white cedar, 26 for cedar elm, 32 for grand fir.
    """
    s = shrinkage_percent / 100.0
    return (s / change_coefficient - 10.0 * s) / (1.0 - s)


def shrinkage_from_change(change_coefficient: float) -> float:
    """Give total shrinkage [%] from a dimensional-change coefficient [fraction per % MC].

    The coefficients are linear shrinkage below 30 % MC referred to the size at 10 % MC, C = (S/3000) / (1 - 20 S/3000),
    which reproduces 31 of the 34 species had from both tables within 1e-5.
    """
    return 3000.0 * change_coefficient / (1.0 + 20.0 * change_coefficient)


def specific_gravity_12_from_green(green: float, volumetric_shrinkage_percent: float | None = None) -> float:
    """Give specific gravity on the volume at 12 % MC from basic specific gravity (volume green), both on oven-dry mass.

    green: 0.1..1.2.  volumetric_shrinkage_percent: green to oven-dry; without it 26.5 times `green`.
    Wood Handbook (FPL-GTR-282, 2021) Eq. 4-9 and 4-11 to 4-13, fibre saturation at 30 %.
    """
    total = 26.5 * green if volumetric_shrinkage_percent is None else volumetric_shrinkage_percent
    return green / (1.0 - 0.01 * total * (1.0 - 12.0 / FIBRE_SATURATION_PERCENT))


def specific_gravity_12_from_oven_dry(oven_dry: float) -> float:
    """Give specific gravity on the volume at 12 % MC from that on the oven-dry volume (design codes of timber use it).

    oven_dry: 0.1..1.4.  The same equations, first turned round at 0 % MC: Gb = G0 / (1 + 0.265 G0).
    """
    return specific_gravity_12_from_green(oven_dry / (1.0 + 0.265 * oven_dry))


@cache
def all_species() -> Mapping[str, Species]:
    """Give every species by its name, in the file's order."""
    text = files("ingest.physics").joinpath("data/species.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return MappingProxyType({row["species"]: _species(row) for row in rows})


_TRADE_NAMES: Final[Mapping[str, str]] = {
    "hard maple": "Maple, sugar",
    "rock maple": "Maple, sugar",
    "brazilian cherry": "Jatoba",
    "courbaril": "Jatoba",
    "kwila": "Merbau",
}
"""What the trade calls some woods, and the handbook's name: common practice, no source."""


def find_species(name: str) -> Species:
    """Give the species of this name; case, order ("red oak, commercial", "oak red") and spacing do not matter.

    Where several have all these words and one of them is the handbook's mixture of commerce ("red oak": "Red oak,
    commercial"), it is that one. Raises InputError when no species or several answer to it, naming the nearest.
    """
    known = all_species()
    wanted = _words(_TRADE_NAMES.get(" ".join(name.lower().split()), name))
    exact = [species for species in known.values() if _words(species.name) == wanted]
    matches = [species for species in known.values() if wanted and wanted <= _words(species.name)]
    commercial = [species for species in matches if _words(species.name) - wanted == {"commercial"}]
    for found in (exact, matches, commercial):
        if len(found) == 1:
            return found[0]
    everything = "`lumberroom wood species` lists all that are known."
    if matches:
        names = "; ".join(species.name for species in matches[:_NAMED_AT_MOST])
        raise InputError(
            f"{len(matches)} species answer to {name!r}",
            where="species",
            mend=f"Say one of: {names}." if len(matches) <= _NAMED_AT_MOST else f"Among them: {names}. {everything}",
        )
    by_words = {" ".join(sorted(_words(one))): one for one in known}
    close = difflib.get_close_matches(" ".join(sorted(wanted)), list(by_words), n=3, cutoff=0.75)
    near = [by_words[words] for words in close]
    guess = f"Did you mean {' or '.join(near)}? " if near else ""
    raise InputError(f"no species is called {name!r}", where="species", mend=f"{guess}{everything}")


def _words(name: str) -> frozenset[str]:
    return frozenset(name.lower().replace(",", " ").replace(":", " ").replace("-", " ").split())


def _species(row: Mapping[str, str]) -> Species:
    radial, tangential = float(row["change_radial"]), float(row["change_tangential"])
    read = bool(row["shrinkage_radial_percent"] and row["shrinkage_tangential_percent"])
    return Species(
        name=row["species"],
        group=row["group"],
        change_radial=radial,
        change_tangential=tangential,
        shrinkage_radial_percent=float(row["shrinkage_radial_percent"]) if read else shrinkage_from_change(radial),
        shrinkage_tangential_percent=(
            float(row["shrinkage_tangential_percent"]) if read else shrinkage_from_change(tangential)
        ),
        shrinkage_read=read,
        specific_gravity_12=float(row["specific_gravity_12"]) if row["specific_gravity_12"] else None,
        specific_gravity_from=row["specific_gravity_from"],
        confidence=row["confidence"],
        source=row["source"],
    )
