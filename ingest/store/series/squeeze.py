"""The compressor of sealed columns: Zstandard frames (RFC 8878), one library behind two functions. Pure.

Frames are the standard's, so that either library reads what the other one wrote: `zstandard` where it is there, else
`compression.zstd` of the standard library (Python 3.14 and later).
"""

from __future__ import annotations

import functools
import importlib
import importlib.util
import threading
from collections.abc import Callable
from typing import Any, Final

LEVEL: Final = 1
"""Packed planes leave a higher level nothing to find: 2.28 against 2.30 bytes per reading, at half the pace."""
LARGEST_BYTES: Final = 1 << 28
"""No frame of ours is larger than this when unpacked: what says otherwise is damaged."""


class Damaged(Exception):  # noqa: N818 - a finding about the file, never shown to a person as it is
    """Stored bytes that are not what was stored: a wrong checksum, a frame that does not unpack, an unknown version.

    Raised by the codecs of this package; caught where chunks and rollups are fetched, which name what is damaged.
    """


_local = threading.local()  # neither library's contexts may be shared by threads


def compress(data: bytes) -> bytes:
    """Give one Zstandard frame."""
    return _codec()[0](data)


def decompress(frame: bytes | memoryview, size: int) -> bytes:
    """Give the `size` bytes that a frame holds. Raises Damaged when it does not hold them."""
    if not 0 <= size <= LARGEST_BYTES:
        raise Damaged("a frame of impossible size")
    unpacked = _codec()[1](frame, size)
    if len(unpacked) != size:
        raise Damaged("a frame of another size than noted")
    return unpacked


def _codec() -> tuple[Callable[[bytes], bytes], Callable[[Any, int], bytes]]:
    codec: tuple[Callable[[bytes], bytes], Callable[[Any, int], bytes]] | None = getattr(_local, "codec", None)
    if codec is None:
        codec = _local.codec = _make()()
    return codec


@functools.cache
def _make() -> Callable[[], tuple[Callable[[bytes], bytes], Callable[[Any, int], bytes]]]:
    return _of_the_standard_library if importlib.util.find_spec("zstandard") is None else _of_zstandard


def _of_zstandard() -> tuple[Callable[[bytes], bytes], Callable[[Any, int], bytes]]:
    zstandard = importlib.import_module("zstandard")
    packer = zstandard.ZstdCompressor(level=LEVEL, write_checksum=False)
    unpacker = zstandard.ZstdDecompressor()

    def unpack(frame: bytes, size: int) -> bytes:
        try:
            return bytes(unpacker.decompress(frame, max_output_size=size))
        except zstandard.ZstdError as error:
            raise Damaged(f"a frame that does not unpack: {error}") from error

    return packer.compress, unpack


def _of_the_standard_library() -> tuple[Callable[[bytes], bytes], Callable[[Any, int], bytes]]:
    zstd = importlib.import_module("compression.zstd")

    def unpack(frame: bytes, size: int) -> bytes:
        unpacker = zstd.ZstdDecompressor()
        try:
            data = bytes(unpacker.decompress(frame, max_length=size))
        except zstd.ZstdError as error:
            raise Damaged(f"a frame that does not unpack: {error}") from error
        if not unpacker.eof:
            raise Damaged("a frame that holds more than noted")
        return data

    return functools.partial(zstd.compress, level=LEVEL), unpack
