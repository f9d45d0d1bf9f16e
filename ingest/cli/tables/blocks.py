"""Bytes as they come: large blocks from a file or a busy pipe, at once whatever a slow pipe or a hand gives."""

from __future__ import annotations

import select
from collections.abc import Iterator
from typing import Final, Protocol

BLOCK: Final = 1 << 19
"""How much is read at a time (bytes): enough rows to spread the cost of a call, few enough to stay in the cache."""


class ByteSource(Protocol):
    """What bytes are read from: a raw (unbuffered) file, a pipe, a terminal, or bytes in memory."""

    def read(self, size: int, /) -> bytes | None:
        """Give at most `size` bytes, as soon as there are any; none at the end."""
        ...

    def fileno(self) -> int:
        """Give the descriptor; raises OSError or ValueError where there is none."""
        ...


def blocks(source: ByteSource) -> Iterator[bytes]:
    """Give the bytes of `source` in blocks of up to about `BLOCK`, never waiting for more once there is something."""
    while piece := source.read(BLOCK):
        pieces, size = [piece], len(piece)
        while size < BLOCK and more_waits(source):
            piece = source.read(BLOCK - size)
            if not piece:  # the end: a terminal must not be asked a second time
                yield b"".join(pieces)
                return
            pieces.append(piece)
            size += len(piece)
        yield b"".join(pieces)


def more_waits(source: ByteSource) -> bool:
    """Say whether reading would give something (or the end) at once."""
    try:
        return bool(select.select([source.fileno()], [], [], 0)[0])
    except (OSError, ValueError):  # bytes in memory have no descriptor
        return False
