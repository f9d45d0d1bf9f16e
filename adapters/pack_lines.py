"""A stream of bytes that holds packs, one a line, into readings: of a serial line, or of a program's output."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from adapters.contract import AdapterHealth, ProtocolError, Reading, Rejection, Why
from adapters.framing.serial_lines import LineSplitter
from adapters.packs import PackReader

HOPELESS_BYTES: Final = 32_768
"""After so many bytes in a row without one readable pack somebody must be told (half a minute at 9600 baud)."""
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
        self._unread_bytes = 0

    def feed(self, data: bytes, arrival_ms: int) -> list[Reading]:
        """Take bytes as they come; give the readings of the lines that they complete, count what is rejected."""
        self._unread_bytes += len(data)
        batch: list[Reading] = []
        for line in self._splitter.feed(data):
            if isinstance(line, Rejection):
                self._health.reject(line)
                continue
            decoded = self._packs.read(line, arrival_ms)
            if decoded.readings or not _NOISE.issuperset(rejected.reason for rejected in decoded.rejections):
                self._unread_bytes = 0
            batch += decoded.readings
        return batch

    def refuse_noise(self, where: str, mend: str) -> None:
        """Raise ProtocolError when nothing readable has come for too long.  mend: what to look at."""
        if self._unread_bytes > HOPELESS_BYTES:
            last = self._health.last_rejection
            seen = f"{last.reason}: {last.detail[:60]}" if last else "only comments"
            raise ProtocolError(
                f"{self._unread_bytes} bytes came and not one pack could be read in them",
                where=where,
                mend=f"{mend}; the last thing that came: {seen}",
            )
