"""SenML packs into readings, as the settings that every adapter of packs has say; what cannot be taken is counted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from adapters.contract import SENSOR_ID, AdapterHealth, Setting, SettingsError, Why, rejection
from adapters.framing.senml import Decoded, decode_pack
from adapters.framing.senml_records import Form

PACK_SETTINGS: Final[tuple[Setting, ...]] = (
    Setting("sensor", str, "the sensor's name, for a device that names only quantities"),
    Setting("prefix", str, "put before every sensor's name, to tell alike devices apart", default=""),
    Setting("allow", list, "the only sensors to take from here (their names, prefix included)"),
)


class PackReader:
    """Reads packs of one adapter, by its settings `sensor`, `prefix` and `allow`."""

    def __init__(self, settings: Mapping[str, Any], health: AdapterHealth) -> None:
        """Take checked settings; raises SettingsError where names among them cannot be sensors' names."""
        self._health = health
        self._sensor: str | None = settings["sensor"]
        self._prefix: str = settings["prefix"]
        self._allowed: frozenset[str] | None = None
        for key in ("sensor", "prefix"):
            if settings[key]:
                checked_name(settings[key], key)
        if settings["allow"] is not None:
            self._allowed = frozenset(checked_name(name, "allow") for name in settings["allow"])

    def read(self, pack: bytes, arrival_ms: int, form: Form = Form.JSON) -> Decoded:
        """Decode a pack; count what had to be rejected, readings of sensors that are not allowed among it."""
        decoded = decode_pack(pack, arrival_ms, default_sensor=self._sensor, prefix=self._prefix, form=form)
        if self._allowed is not None:
            decoded = self._only_allowed(decoded, self._allowed)
        for rejected in decoded.rejections:
            self._health.reject(rejected)
        return decoded

    def _only_allowed(self, decoded: Decoded, allowed: frozenset[str]) -> Decoded:
        strangers = [reading.sensor for reading in decoded.readings if reading.sensor not in allowed]
        if not strangers:
            return decoded
        refused = [rejection(Why.NOT_ALLOWED, sensor, sensor) for sensor in strangers]
        taken = [reading for reading in decoded.readings if reading.sensor in allowed]
        return Decoded(taken, [*decoded.rejections, *refused])


def checked_name(name: Any, where: str) -> str:
    """Give a name that can be a sensor's.  where: the setting it stands in.  Raises SettingsError when it cannot."""
    if isinstance(name, str) and SENSOR_ID.fullmatch(name):
        return name
    raise SettingsError(
        f"{name!r} cannot be a sensor's name",
        where=where,
        mend="Use letters, digits and - : . / _, a letter or digit first, at most 120 of them",
    )
