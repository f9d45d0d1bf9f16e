"""Writing a file that a person names: whole under its own name, or not at all; straight through to what is no file."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from ingest.errors import RefusedError, StorageError


@contextlib.contextmanager
def whole_file(path: Path, *, force: bool) -> Iterator[BinaryIO]:
    """Open a new file for writing; leaving the block puts it under its name, an exception leaves nothing behind.

    What is there and is no regular file, a device or a pipe, is written straight through: to put a file in its place
    would take it away.  force: replace a file that is there.  Raises RefusedError when it is there and is not to be
    replaced, StorageError when it cannot be written.
    """
    try:
        if _is_special(path):
            with path.open("wb", buffering=0) as out:
                yield out
            return
        refuse_existing(path, force=force)
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        try:
            with beside.open("xb") as made:
                yield made
                made.flush()
                os.fsync(made.fileno())
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise StorageError(
            f"cannot be written ({error.strerror})", where=str(path), mend="Name a folder with room that you may write."
        ) from error


def write_new(path: Path, text: str, *, force: bool) -> None:
    """Write a text file (UTF-8) as `whole_file` does. Raises RefusedError and StorageError."""
    with whole_file(path, force=force) as out:
        out.write(text.encode("utf-8"))


def refuse_existing(path: Path, *, force: bool) -> None:
    """Raise RefusedError when the file is there and is not to be replaced."""
    if path.exists() and not force and not _is_special(path):
        raise RefusedError("this file is already there", where=str(path), mend="Name another one, or use --force.")


def _is_special(path: Path) -> bool:
    return path.exists() and not path.is_file() and not path.is_dir()
