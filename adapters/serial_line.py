"""Reads SenML packs, one a line, from a serial port: a microcontroller on USB, a UART, an RS-232 or RS-485 converter.

The format is in `PROTOCOL.md`. A silent line is no error here: the watch judges silence, per sensor. A line on which
nothing at all can be read is one, because it means that somebody must set something right.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, ClassVar

from adapters.contract import (
    AdapterHealth,
    Reading,
    Setting,
    WallClock,
)
from adapters.framing.serial_lines import CHECKSUM_MODES
from adapters.pack_lines import PackLines
from adapters.packs import PACK_SETTINGS
from adapters.serial_port import open_port


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
        *PACK_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError where names among them cannot be sensors' names."""
        self.health = AdapterHealth()
        self._clock = clock
        self._port: str = settings["port"]
        self._baud: int = settings["baud"]
        self._checksum: str = settings["checksum"]
        self._lines = PackLines(settings, self.health, self._checksum)

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
            self._lines.begin()
            while True:
                batch = self._lines.feed(await port.read(), self._clock.now_ms())
                if batch:
                    yield batch
                mend = f"Check that the device speaks at {self._baud} baud and prints SenML, one pack a line"
                self._lines.refuse_noise(self._port, mend)
        finally:
            await port.close()
