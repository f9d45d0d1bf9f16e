"""Which sensors a Bluetooth adapter listens to, and on which radio: settings that both adapters have."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

from adapters.contract import Setting, SettingsError
from adapters.packs import checked_name

NO_RSSI: Final = -127
"""What bleak says for the signal strength when a property changed and there are no readings."""
ADDRESS: Final = re.compile(r"([0-9A-F]{2}:){5}[0-9A-F]{2}")

RADIO_SETTINGS: Final[tuple[Setting, ...]] = (
    Setting("sensors", dict, 'the only ones to take: { "A4:C1:38:00:00:01" = "loft", ... }', required=True),
    Setting("radio", str, 'which radio, such as "hci0"; empty = the first', default=""),
    Setting(
        "deaf_after_s",
        float,
        "when no broadcast of any device was heard for so long the radio is started anew",
        default=300.0,
        minimum=1.0,
    ),
)


def listed_sensors(sensors: Mapping[Any, Any]) -> dict[str, str]:
    """Give the sensors' names by address in capitals.  Raises SettingsError for what can be neither."""
    return {_address(address): checked_name(name, "sensors") for address, name in sensors.items()}


def _address(text: Any) -> str:
    if isinstance(text, str) and ADDRESS.fullmatch(text.upper()):
        return text.upper()
    raise SettingsError(
        f"{text!r} is no Bluetooth address", where="sensors", mend="Give it as six pairs: A4:C1:38:00:00:01"
    )
