"""A file that appears whole, under its own name, or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from ingest.cli.new_file import refuse_existing
from ingest.errors import StorageError


@contextlib.contextmanager
def whole_file(path: Path, *, force: bool) -> Iterator[BinaryIO]:
    """Open a new file for writing; leaving the block puts it under its name, an exception leaves nothing behind.

    force: replace a file that is there.  Raises RefusedError when it is there and is not to be replaced, StorageError
    when it cannot be written.
    """
    refuse_existing(path, force=force)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("xb") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
    except OSError as error:
        raise StorageError(
            f"cannot be written ({error.strerror})", where=str(path), mend="Name a folder with room that you may write."
        ) from error
    finally:
        beside.unlink(missing_ok=True)
