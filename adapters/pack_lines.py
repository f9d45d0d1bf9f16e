"""A stream of bytes that holds packs, one a line, into readings: of a serial line, or of a program's output."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from adapters.contract import AdapterHealth, ProtocolError, Reading, Rejection, Why, rejection
from adapters.framing.serial_lines import LineSplitter
from adapters.packs import PackReader

HOPELESS_BYTES: Final = 32_768
"""After so many bytes in a row without one readable pack somebody must be told (half a minute at 9600 baud)."""
GARBLED_BYTES: Final = 32
GARBLED_MS: Final = 45_000
"""Few bytes are enough when they are no text and came over so long: another speed, most likely. A sensor that speaks
once a minute must not take hours to be told; a device that boots at a speed of its own is done sooner."""
_GARBLED_SHARE: Final = 0.2
_TEXT: Final = bytes((*b"\t\r\n", *range(0x20, 0x7F)))
_NOISE: Final = frozenset({Why.NOT_JSON, Why.NOT_A_PACK})


class PackLines:
    """One run of such a stream."""

    def __init__(self, settings: Mapping[str, Any], health: AdapterHealth, checksum: str = "accept") -> None:
        """Take settings with `PACK_SETTINGS`; raises SettingsError where names among them cannot be sensors' names."""
        self._packs = PackReader(settings, health)
        self._health = health
        self._checksum = checksum
        self.begin()

    def begin(self) -> None:
        """Begin a new stream: half a line of the one before is forgotten."""
        self._splitter = LineSplitter(self._checksum)
        self._forget()

    def _forget(self) -> None:
        """Forget what could not be read."""
        self._unread_bytes = self._garbled_bytes = 0
        self._garbled_from_ms = self._garbled_to_ms = 0
        self._unread = b""

    def feed(self, data: bytes, arrival_ms: int) -> list[Reading]:
        """Take bytes as they come; give the readings of the lines that they complete, count what is rejected."""
        if data:
            self._count_unread(data, arrival_ms)
        batch: list[Reading] = []
        for line in self._splitter.feed(data):
            if isinstance(line, Rejection):
                self._health.reject(line)
                continue
            decoded = self._packs.read(line, arrival_ms)
            if decoded.readings or not _NOISE.issuperset(rejected.reason for rejected in decoded.rejections):
                self._forget()
            batch += decoded.readings
        return batch

    def _count_unread(self, data: bytes, arrival_ms: int) -> None:
        self._unread_bytes += len(data)
        self._unread = data[:60]
        garbled = len(data.translate(None, _TEXT))
        if garbled < _GARBLED_SHARE * len(data):
            return
        if not self._garbled_bytes:
            self._garbled_from_ms = arrival_ms
        self._garbled_to_ms = arrival_ms
        self._garbled_bytes += garbled

    def _is_garbled(self) -> bool:
        """Say whether what comes is no text, and has not been for a while."""
        lasted_ms = abs(self._garbled_to_ms - self._garbled_from_ms)
        return self._garbled_bytes >= GARBLED_BYTES and lasted_ms >= GARBLED_MS

    def refuse_noise(self, where: str, mend: str) -> None:
        """Raise ProtocolError when nothing readable has come for too long.  mend: what to look at."""
        garbled = self._is_garbled()
        if self._unread_bytes > HOPELESS_BYTES or garbled:
            last = self._health.last_rejection
            seen = f"{last.reason}: {last.detail[:60]}" if last else rejection(Why.NOT_A_PACK, self._unread).detail
            raise ProtocolError(
                f"{self._unread_bytes} bytes came and not one pack could be read in them"
                f"{'; much of it is no text, as at another speed' if garbled else ''}",
                where=where,
                mend=f"{mend}; the last thing that came: {seen}",
            )
