"""Being a good neighbour in a pipe: when whoever reads has seen enough, stop without a word."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def quiet_when_the_reader_goes() -> Iterator[None]:
    """End the block quietly when standard output has no reader any more: that is no error."""
    try:
        yield
    except BrokenPipeError:
        # What is still buffered must go somewhere, or closing standard output at the end fails once more.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
