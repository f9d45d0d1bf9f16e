"""Bytes from a serial line in, whole lines out, each checked where it bears a checksum. Pure.

A line ends in LF or CR LF. It may end in a checksum: `*` and eight hexadecimal digits, the CRC-32 of every byte of the
line before the `*` (the CRC of Ethernet, ISO/IEC/IEEE 8802-3 and ITU-T V.42: polynomial 0x04C11DB7 reflected, start
and final XOR 0xFFFFFFFF; its check value over the nine bytes "123456789" is CBF43926). Lines that begin with `#` are
comments, empty lines are nothing.
"""

from __future__ import annotations

import re
import zlib
from typing import Final

from adapters.contract import Rejection, Why, rejection

MAX_LINE_BYTES: Final = 16_384
CHECKSUM_MODES: Final = ("off", "accept", "require")
"""off: a checksum is taken off unread; accept: it is checked where there is one; require: a line must have one."""

_SUFFIX: Final = re.compile(rb"\*([0-9A-Fa-f]{8})\Z")
_SUFFIX_LENGTH: Final = 9


def with_checksum(line: bytes) -> bytes:
    """Append the checksum to a line (without its line end)."""
    return b"%s*%08X" % (line, zlib.crc32(line))


class LineSplitter:
    """Cuts a stream of bytes into lines, never holding more than one line of `max_line_bytes`.

    The first line end may end a line whose beginning was sent before we listened: what comes before it is dropped
    without a word unless it begins like a pack (`[`) or a comment, as a torn line cannot.
    """

    def __init__(self, checksum: str = "accept", max_line_bytes: int = MAX_LINE_BYTES) -> None:
        """Raises ValueError when `checksum` is none of `CHECKSUM_MODES`."""
        if checksum not in CHECKSUM_MODES:
            raise ValueError(f"checksum must be one of {CHECKSUM_MODES}, not {checksum!r}")
        self._checksum = checksum
        self._max_line_bytes = max_line_bytes
        self._rest = b""
        self._may_be_torn = True
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | Rejection]:
        """Take bytes as they come; give the lines that they complete, without line end and checksum."""
        *ended, rest = data.split(b"\n")
        out: list[bytes | Rejection] = []
        for piece in ended:
            whole, self._rest = self._rest + piece, b""
            if self._skipping:
                self._skipping = False
                continue
            line = self._line(whole)
            if line is not None:
                out.append(line)
        self._rest = b"" if self._skipping else self._rest + rest
        if len(self._rest) > self._max_line_bytes:
            out.append(rejection(Why.TOO_LONG, self._rest))
            self._rest, self._skipping, self._may_be_torn = b"", True, False
        return out

    def _line(self, raw: bytes) -> bytes | Rejection | None:
        torn, self._may_be_torn = self._may_be_torn, False
        if len(raw) > self._max_line_bytes:
            return rejection(Why.TOO_LONG, raw)
        line = raw.rstrip(b" \t\r")
        begins = line.lstrip()[:1]
        if begins in (b"", b"#") or (torn and begins != b"["):
            return None
        suffix = _SUFFIX.search(line)
        if suffix is None:
            return rejection(Why.CHECKSUM_MISSING, line) if self._checksum == "require" else line
        body = line[:-_SUFFIX_LENGTH]
        if self._checksum != "off" and zlib.crc32(body) != int(suffix[1], 16):
            return rejection(Why.CHECKSUM_WRONG, line)
        return body
