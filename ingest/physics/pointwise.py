"""Run a formula over numbers or arrays of any shape, block by block, so that it stays in the processor's cache.

Every public function of this package is a thin shell around a kernel: a private function of one-dimensional float64
arrays. `pointwise` feeds the kernel with blocks of a few thousand elements. Working memory therefore stays constant
(a kernel's temporaries are as large as a block, not as the data), and ten million pairs cost input plus output.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeAlias, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
Values: TypeAlias = float | FloatArray
Number = TypeVar("Number", float, NDArray[np.float64])

# 16384 doubles are 128 KiB: a kernel's dozen of temporaries fits a second-level cache of 2 MiB, and the cost of a NumPy
# call (about half a microsecond) is spread over enough elements. 8192 cost no less; 32768 a tenth more beside others.
BLOCK: Final = 16384
_MANY: Final = 1 << 20  # values, 8 MiB: a table, and not what a daemon hands over in passing


def pointwise(kernel: Callable[..., FloatArray], first: Number, *rest: Values) -> Number:
    """Apply `kernel` to the broadcast arguments.

    kernel: takes one float64 array per argument, all of one length, and gives an array of that length; it must not
    write into its arguments.  first, rest: floats or arrays of shapes that broadcast (NumPy rules).
    Gives a float when every argument is a number, else an array of the broadcast shape.  Raises ValueError when
    shapes do not broadcast. NaN and impossible values make NaN, never a warning or an exception.
    """
    (result,) = pointwise_many(lambda *blocks: (kernel(*blocks),), 1, first, *rest)
    return cast(Number, result)


def pointwise_many(
    kernel: Callable[..., tuple[FloatArray, ...]], outputs: int, *arguments: Values
) -> tuple[Values, ...]:
    """Apply a kernel that gives `outputs` arrays at once, sharing work between them; otherwise like `pointwise`."""
    arrays = [np.asarray(argument, dtype=np.float64) for argument in arguments]
    with np.errstate(all="ignore"):
        if all(array.ndim == 0 for array in arrays):
            results = kernel(*(array.reshape(1) for array in arrays))
            if any(isinstance(argument, np.ndarray) for argument in arguments):
                return tuple(result.reshape(()) for result in results)
            return tuple(float(result[0]) for result in results)
        return _in_blocks(kernel, outputs, arrays)


def _in_blocks(
    kernel: Callable[..., tuple[FloatArray, ...]], outputs: int, arrays: list[FloatArray]
) -> tuple[FloatArray, ...]:
    if any(array.size > _MANY for array in arrays):
        # Freed at once and never touched: the C library learns by it to keep blocks of this size at hand, instead of
        # handing every temporary back to the system and faulting its pages in again.
        np.empty(_MANY)
    inputs = len(arrays)
    operands: list[Any] = [*arrays, *([None] * outputs)]
    roles: Any = [["readonly"]] * inputs + [["writeonly", "allocate"]] * outputs
    blocks: Any = np.nditer(
        operands, flags=["external_loop", "buffered", "zerosize_ok"], op_flags=roles, buffersize=BLOCK
    )
    with blocks:
        for block in blocks:
            for place, result in zip(block[inputs:], kernel(*block[:inputs]), strict=True):
                place[...] = result
        return tuple(blocks.operands[inputs:])


def inside(values: FloatArray, minimum: float, maximum: float) -> FloatArray:
    """Give the values with NaN in place of whatever lies outside [minimum, maximum] (both ends included).

    Gives the very array back, uncopied, where nothing lies outside, as is usual.
    """
    if values.size and values.min() >= minimum and values.max() <= maximum:
        return values
    return np.where((values >= minimum) & (values <= maximum), values, np.nan)
