"""Numbers as text, seven significant digits each, many at once: each in a slot of 16 bytes, filled up with NUL bytes.

This is what the speed of the filter hangs on; a call per number, in Python or in Arrow, takes several times as long.

A slot is two 64-bit words, first character in the lowest byte. The first word holds the delimiter, the sign, and for
numbers below 1 what stands before their digits ("0.", "0.0" ...). The second holds the seven digits with the decimal
mark among them. Which of a dozen shapes a number has depends on its power of ten alone, so each step is the same
arithmetic for all numbers, with a table of a dozen constants. What has no such shape is written one by one.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.physics.pointwise import FloatArray

SLOT_BYTES: Final = 16
_SMALLEST: Final = -4
_LARGEST: Final = 5
_POWERS: Final = range(_SMALLEST, _LARGEST + 1)
"""The powers of ten for which there is a shape: from 0.0001 to nearly a million."""
_TOO_LARGE: Final = 999_999.0
_TEN_MILLION: Final = 10_000_000
_DIGITS: Final = np.uint64(0x00FFFFFFFFFFFFFF)
Words = NDArray[np.uint64]


def _word(text: bytes) -> int:
    return int.from_bytes(text, "little")


_SCALE: Final = np.array([10.0 ** (6 - power) for power in _POWERS])
_PREFIX: Final = np.array(
    [_word(b"\0\0" + b"0.".ljust(1 - power, b"0")) if power < 0 else 0 for power in _POWERS], np.uint64
)
# How many bytes of digits stand before the decimal mark; below 1 all of them do, and the mark is in the prefix.
_BEFORE: Final = np.array([8 * (power + 1) if power >= 0 else 56 for power in _POWERS], np.uint64)
_HAS_MARK: Final = np.array([power >= 0 for power in _POWERS], np.uint64)
_FOUR: Final = np.array([_word(b"%04d" % i) for i in range(10_000)], np.uint64)
_THREE: Final = np.array([_word(b"%03d" % i) << 32 for i in range(1_000)], np.uint64)


def fill_slots(out: Words, values: FloatArray, delimiter: str, decimal_mark: str = ".") -> None:
    """Write each number as `delimiter` and its text.

    out: uint64 (n, 2), written to; seen as n times `SLOT_BYTES` bytes, the NUL bytes among which are to be left out.
    values: float64 (n,); NaN gives the delimiter alone.  delimiter, decimal_mark: one ASCII character each.
    """
    size = np.abs(values)
    odd = ~((size < _TOO_LARGE) & ((size >= 10.0**_SMALLEST) | (size == 0.0)))  # NaN among them
    if odd.any():
        size[odd] = 0.0
    shape, digits = _shapes_and_digits(size)
    out[:, 0] = _PREFIX[shape] | np.uint64(ord(delimiter))
    out[:, 0] |= (values < 0).astype(np.uint64) * np.uint64(ord("-") << 8)
    out[:, 1] = _with_mark(_seven(digits), shape, ord(decimal_mark))
    for index in np.flatnonzero(odd).tolist():
        out[index] = _one(float(values[index]), delimiter, decimal_mark)


def _shapes_and_digits(size: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Give the index into `_POWERS` of each number's power of ten, and its seven digits as a number."""
    power = np.zeros(len(size), np.int8)
    for threshold in _POWERS[1:]:
        power += size >= 10.0**threshold
    power[size == 0.0] = -_SMALLEST  # zero is written as 0.000000
    shape = power.astype(np.intp)
    digits = np.rint(size * _SCALE[shape]).astype(np.int64)
    grown = digits >= _TEN_MILLION
    if grown.any():  # 9.99999996 has become 10.000000, one digit too many
        shape += grown
        digits[grown] = _TEN_MILLION // 10
    return shape, digits


def _seven(digits: NDArray[np.int64]) -> Words:
    thousands = digits // 1_000
    return np.asarray(_FOUR[thousands] | _THREE[digits - thousands * 1_000])


def _with_mark(seven: Words, shape: NDArray[np.intp], mark: int) -> Words:
    """Put the decimal mark among the digits, moving those behind it up by one byte."""
    before = _BEFORE[shape]
    behind = _DIGITS << before & _DIGITS
    moved = (seven & ~behind) | ((seven & behind) << np.uint64(8))
    return np.asarray(moved | ((_HAS_MARK[shape] * np.uint64(mark)) << before))


def _one(value: float, delimiter: str, decimal_mark: str) -> Words:
    text = "" if np.isnan(value) else f"{value:.6e}".replace(".", decimal_mark)
    return np.frombuffer((delimiter + text).encode("ascii").ljust(SLOT_BYTES, b"\0"), np.uint64)
