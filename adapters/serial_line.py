"""Reads SenML packs, one a line, from a serial port: a microcontroller on USB, a UART, an RS-232 or RS-485 converter.

The format is in `PROTOCOL.md`. A silent line is no error here: the watch judges silence, per sensor. A line on which
nothing at all can be read is one, because it means that somebody must set something right.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, ClassVar, Final

from adapters.contract import (
    AdapterHealth,
    ProtocolError,
    Reading,
    Rejection,
    Setting,
    WallClock,
    Why,
)
from adapters.framing.serial_lines import CHECKSUM_MODES, LineSplitter
from adapters.packs import PACK_SETTINGS, PackReader
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
        *PACK_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError where names among them cannot be sensors' names."""
        self.health = AdapterHealth()
        self._clock = clock
        self._port: str = settings["port"]
        self._baud: int = settings["baud"]
        self._checksum: str = settings["checksum"]
        self._packs = PackReader(settings, self.health)
        self._unread_bytes = 0

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
            decoded = self._packs.read(line, arrival_ms)
            if decoded.readings or not _NOISE.issuperset(rejected.reason for rejected in decoded.rejections):
                self._unread_bytes = 0
            batch += decoded.readings
        return batch

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
