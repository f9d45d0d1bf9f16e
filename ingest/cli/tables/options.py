"""What the further options of `derive` ask for, read and checked: added quantities, accuracy, mould."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from ingest.cli.tables.measures import ACCURACY_HUMIDITY, ACCURACY_TEMPERATURE, MOULD_GAP, read_measure
from ingest.cli.tables.outputs import Accuracy, More, MouldWanted
from ingest.errors import SettingsError
from ingest.physics.derived import EXTRA
from ingest.physics.mould import SENSITIVITIES, Sensitivity
from ingest.physics.uncertainty import COVERAGE_FACTOR, standard_from_limits

EVERYTHING: Final = "all"
SURFACES: Final[Mapping[str, Sensitivity]] = {one.name.replace(" ", "-"): one for one in SENSITIVITIES}
"""The model's sensitivity classes by the name that is typed."""

_HAS_TWO: Final = "Give both --accuracy-temperature and --accuracy-humidity; 0 for one that does not matter."


def read_extra(names: Sequence[str]) -> tuple[str, ...]:
    """Read which further quantities are wanted: names of `EXTRA`, several in one with commas, or "all".

    Raises SettingsError for any other.
    """
    asked = [name.strip() for text in names for name in text.split(",")]
    for name in asked:
        if name not in EXTRA and name != EVERYTHING:
            raise SettingsError(
                f"{name[:40]!r} is not one of them", where="--add", mend=f"Give {', '.join(EXTRA)} or {EVERYTHING}."
            )
    return tuple(name for name in EXTRA if name in asked or EVERYTHING in asked)


def read_accuracy(temperature: str | None, humidity: str | None, means: str, *, us_units: bool) -> Accuracy | None:
    """Read a sensor's accuracy.  means: "limits" (rectangular, divided by √3) or "k2" (expanded, divided by 2)."""
    if temperature is None and humidity is None:
        return None
    if temperature is None or humidity is None:
        missing = "--accuracy-temperature" if temperature is None else "--accuracy-humidity"
        raise SettingsError("the other accuracy needs it", where=missing, mend=_HAS_TWO)
    stated = (
        read_measure(temperature, ACCURACY_TEMPERATURE, us_units=us_units),
        read_measure(humidity, ACCURACY_HUMIDITY),
    )
    return Accuracy(*(one / COVERAGE_FACTOR if means == "k2" else standard_from_limits(one) for one in stated))


def read_more(told: Mapping[str, object], *, us_units: bool) -> More:
    """Read all further options, by their names on the command line with underscores."""
    add, mould = told["add"], told["mould"]
    assert isinstance(add, tuple)
    return More(
        extra=read_extra(add),
        accuracy=read_accuracy(
            _text(told["accuracy_temperature"]),
            _text(told["accuracy_humidity"]),
            str(told["accuracy_means"]),
            us_units=us_units,
        ),
        mould=None
        if mould is None
        else MouldWanted(
            SURFACES[str(mould)],
            float(str(told["mould_decline"])),
            read_measure(str(told["mould_gap"]), MOULD_GAP),
        ),
    )


def _text(value: object) -> str | None:
    return None if value is None else str(value)
