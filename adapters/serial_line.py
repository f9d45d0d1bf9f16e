"""Reads SenML packs, one a line, from a serial port: a microcontroller on USB, a UART, an RS-232 or RS-485 converter.

The format is in `PROTOCOL.md`. A silent line is no error here: the watch judges silence, per sensor. A line on which
nothing at all can be read is one, because it means that somebody must set something right.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, ClassVar, Final

from adapters.contract import (
    SENSOR_ID,
    AdapterHealth,
    ProtocolError,
    Reading,
    Rejection,
    Setting,
    SettingsError,
    WallClock,
    Why,
    rejection,
)
from adapters.framing.senml import decode_pack
from adapters.framing.serial_lines import CHECKSUM_MODES, LineSplitter
from adapters.serial_port import open_port

HOPELESS_BYTES: Final = 32_768
"""After so many bytes in a row without one readable pack somebody must be told (half a minute at 9600 baud)."""
_NOISE: Final = frozenset({Why.NOT_JSON, Why.NOT_A_PACK})


class SerialLine:
    """One serial port with one device, or several that share it, printing SenML lines."""

    SUMMARY: ClassVar[str] = "SenML lines from a serial port (USB or UART)"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("port", str, 'the serial port, best by its lasting name, as "/dev/serial/by-id/..."', required=True),
        Setting("baud", int, "the device's speed in baud", default=115_200, minimum=50, maximum=4_000_000),
        Setting(
            "checksum",
            str,
            '"accept" checks a checksum where there is one, "require" refuses lines without one, "off" looks at none',
            default="accept",
            choices=CHECKSUM_MODES,
        ),
        Setting("sensor", str, "the sensor's name, for a device that names only quantities"),
        Setting("prefix", str, "put before every sensor's name, to tell alike devices apart", default=""),
        Setting("allow", list, "the only sensors to take from this line (their names, prefix included)"),
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError where names among them cannot be sensors' names."""
        self.health = AdapterHealth()
        self._clock = clock
        self._port: str = settings["port"]
        self._baud: int = settings["baud"]
        self._checksum: str = settings["checksum"]
        self._sensor: str | None = settings["sensor"]
        self._prefix: str = settings["prefix"]
        self._allowed: frozenset[str] | None = None if settings["allow"] is None else frozenset(settings["allow"])
        self._unread_bytes = 0
        for key in ("sensor", "prefix", "allow"):
            _check_names(key, settings[key])

    def describe(self) -> str:
        """Say what this is connected to."""
        return f"serial line {self._port} at {self._baud} baud"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Open the port and give what each arrival of bytes completes.

        Raises LostDeviceError, RefusedError and SettingsError as `open_port`, LostDeviceError when the device goes
        (a half line is dropped), ProtocolError when nothing readable comes.
        """
        port = await open_port(self._port, self._baud)
        try:
            splitter = LineSplitter(self._checksum)
            self._unread_bytes = 0
            while True:
                data = await port.read()
                batch = self._take(splitter.feed(data), self._clock.now_ms())
                if batch:
                    yield batch
                self._watch_for_noise(len(data))
        finally:
            await port.close()

    def _take(self, lines: list[bytes | Rejection], arrival_ms: int) -> list[Reading]:
        batch: list[Reading] = []
        for line in lines:
            if isinstance(line, Rejection):
                self.health.reject(line)
                continue
            decoded = decode_pack(line, arrival_ms, default_sensor=self._sensor, prefix=self._prefix)
            if decoded.readings or not _NOISE.issuperset(rejected.reason for rejected in decoded.rejections):
                self._unread_bytes = 0
            for rejected in decoded.rejections:
                self.health.reject(rejected)
            batch += [reading for reading in decoded.readings if self._is_allowed(reading)]
        return batch

    def _is_allowed(self, reading: Reading) -> bool:
        if self._allowed is None or reading.sensor in self._allowed:
            return True
        self.health.reject(rejection(Why.NOT_ALLOWED, reading.sensor, reading.sensor))
        return False

    def _watch_for_noise(self, byte_count: int) -> None:
        self._unread_bytes += byte_count
        if self._unread_bytes > HOPELESS_BYTES:
            raise ProtocolError(
                f"{self._unread_bytes} bytes came and not one pack could be read in them",
                where=self._port,
                mend=f"Check that the device speaks at {self._baud} baud and prints SenML, one pack a line; "
                f"the last thing that came: {self._last_seen()}",
            )

    def _last_seen(self) -> str:
        last = self.health.last_rejection
        return f"{last.reason}: {last.detail[:60]}" if last else "only comments"


def _check_names(key: str, value: str | list[Any] | None) -> None:
    names = [value] if isinstance(value, str) else value or []
    for name in names:
        if name != "" and not (isinstance(name, str) and SENSOR_ID.fullmatch(name)):
            raise SettingsError(
                f"{name!r} cannot be a sensor's name",
                where=key,
                mend="Use letters, digits and - : . / _, a letter or digit first, at most 120 of them",
            )
