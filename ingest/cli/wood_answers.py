"""Where wood tends to, the RH that holds it, and the woods that are known: answered with figures and cautions."""

from __future__ import annotations

import numpy as np

from ingest.cli.wood_words import EMC_CAUTION, Air, Answer, range_cautions, rounded, temperature_words
from ingest.errors import InputError
from ingest.physics import wood
from ingest.physics.species import Species
from ingest.present.digits import Units


def emc_answer(here: Air, in_service: Air | None, units: Units) -> Answer:
    """Answer: what does wood tend to here, what will it in service, and how far apart are they?"""
    band = wood.sorption_band_percent(here.temperature_c, here.rh_percent)
    lines = [
        (f"EMC at {here.words(units)}", f"{here.emc_percent:.1f} % MC"),
        ("  a board gaining moisture stops near", f"{band.adsorption_percent:.1f} % MC"),
        ("  a board losing moisture stops near", f"{band.desorption_percent:.1f} % MC"),
    ]
    values: dict[str, object] = {
        "temperature_c": rounded(here.temperature_c),
        "rh_percent": here.rh_percent,
        "emc_percent": rounded(here.emc_percent),
        "adsorption_percent": rounded(band.adsorption_percent),
        "desorption_percent": rounded(band.desorption_percent),
    }
    if in_service is not None:
        apart = here.emc_percent - in_service.emc_percent
        lines += [
            (f"EMC in service, {in_service.words(units)}", f"{in_service.emc_percent:.1f} % MC"),
            ("here above in service" if apart >= 0 else "here below in service", f"{abs(apart):.1f} % MC"),
        ]
        values |= {
            "in_service_temperature_c": rounded(in_service.temperature_c),
            "in_service_rh_percent": in_service.rh_percent,
            "in_service_emc_percent": rounded(in_service.emc_percent),
            "difference_percent": rounded(apart),
        }
    airs = [air for air in (here, in_service) if air is not None]
    return Answer(tuple(lines), values, (*range_cautions(airs, units), EMC_CAUTION))


def rh_answer(temperature_c: float, mc_percent: float, units: Units) -> Answer:
    """Answer: what RH holds wood at this moisture content at this temperature?"""
    rh = wood.rh_for_emc_percent(temperature_c, mc_percent)
    if np.isnan(rh):
        highest = wood.emc_percent(temperature_c, 100.0)
        raise InputError(
            f"no air holds wood at {mc_percent:g} % MC at {temperature_words(temperature_c, units)}",
            where="--mc",
            mend=f"The equation ends at {highest:.1f} % MC there.",
        )
    lines = (
        (f"RH that holds {mc_percent:g} % MC at {temperature_words(temperature_c, units)}", f"{rh:.0f} % RH"),
        ("  for half a per cent MC less", _rh_words(temperature_c, mc_percent - 0.5)),
        ("  for half a per cent MC more", _rh_words(temperature_c, mc_percent + 0.5)),
    )
    values = {"temperature_c": rounded(temperature_c), "mc_percent": mc_percent, "rh_percent": rounded(rh)}
    return Answer(lines, values, (*range_cautions([Air(temperature_c, rh)], units), EMC_CAUTION))


def species_answer(found: list[Species]) -> Answer:
    """Answer: which species are known, and what is known of them?"""
    lines = tuple(
        (s.name, f"{s.group}, {s.change_tangential:.5f} flat-sawn, {s.change_radial:.5f} quarter-sawn") for s in found
    )
    rows = [
        {
            "name": s.name,
            "group": s.group,
            "change_tangential_per_percent": s.change_tangential,
            "change_radial_per_percent": s.change_radial,
            "shrinkage_tangential_percent": rounded(s.shrinkage_tangential_percent),
            "shrinkage_radial_percent": rounded(s.shrinkage_radial_percent),
            "shrinkage_read": s.shrinkage_read,
            "specific_gravity_12": s.specific_gravity_12,
            "source": s.source,
        }
        for s in found
    ]
    caution = "Fraction of the width per 1 % MC, valid from 6 to 14 % MC (Wood Handbook, Table 13-5)."
    return Answer(lines, {"species": rows}, (caution,))


def _rh_words(temperature_c: float, mc_percent: float) -> str:
    rh = wood.rh_for_emc_percent(temperature_c, mc_percent)
    return "no air does" if np.isnan(rh) else f"{rh:.0f} % RH"
