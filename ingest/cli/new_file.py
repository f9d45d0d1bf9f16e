"""Writing a file that must not be there yet, whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from ingest.errors import RefusedError


def write_new(path: Path, text: str, *, force: bool) -> None:
    """Write a text file in one step (UTF-8).

    force: replace a file that is there.  Raises RefusedError when it is there and not to be replaced, or its folder
    cannot be written.
    """
    refuse_existing(path, force=force)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise RefusedError(
            f"the file cannot be written ({error.strerror})", where=str(path), mend="Name a folder that you may write."
        ) from error


def refuse_existing(path: Path, *, force: bool) -> None:
    """Raise RefusedError when the file is there and is not to be replaced."""
    if path.exists() and not force:
        raise RefusedError("this file is already there", where=str(path), mend="Name another one, or use --force.")
