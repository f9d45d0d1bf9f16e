"""How sure an excursion is: the excess beside what the sensor may be wrong by."""

from __future__ import annotations

import pytest

from ingest.physics.wood import emc_percent
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import Sensor
from ingest.watch.reasons import Telling, incident_reason
from ingest.watch.window.certainty import accuracy, is_certain

T0_MS = 1_795_600_800_000


@pytest.mark.parametrize(
    ("worst", "accurate_to", "said"), [(50.5, 3.0, "probably"), (53.5, 3.0, "certainly"), (50.5, 0.3, "certainly")]
)
def test_half_a_point_beyond_is_only_probably_outside(worst: float, accurate_to: float, said: str) -> None:
    """With a sensor good to ±3 points 50.5 % is probably, 53.5 % certainly outside 50 %; a better sensor knows more."""
    found = accuracy(Sensor("a", "store", accuracy_rh_percent=accurate_to), "rh_percent", worst)
    incident = Incident(
        "i", "store", "a", IncidentKind.WINDOW, T0_MS, T0_MS, "", None, "rh_percent", 50.0, worst, T0_MS, found
    )
    told = incident_reason(incident, "north wall", Telling("UTC"))
    assert f"That is {said} outside: the sensor may be wrong by ±{accurate_to:.1f} points." in told


def test_the_accuracy_of_an_emc_follows_from_the_sensors() -> None:
    """At 20 °C and 50 % RH it is what ±3 points of RH do to the EMC, propagated (GUM); temperature adds little."""
    at_fifty = float(emc_percent(20.0, 50.0))
    steps = (float(emc_percent(20.0, 53.0)) - float(emc_percent(20.0, 47.0))) / 2
    found = accuracy(Sensor("a", "store"), "emc_percent", at_fifty)
    assert found is not None
    # Rectangular limits: standard uncertainty limit / sqrt(3), expanded by 2 (GUM 4.3.7, 6.3.3).
    assert found == pytest.approx(steps * 2 / 3**0.5, rel=0.05)
    assert is_certain(at_fifty, at_fifty - 2 * found, found)
    assert accuracy(Sensor("a", "store"), "stuck_hours", 30.0) is None
