"""Files that a person names: whole or not at all, and nothing that is no file is ever taken away."""

from __future__ import annotations

import contextlib
import os
import stat
import threading
from pathlib import Path

import pytest

from ingest.cli.new_file import whole_file, write_new
from ingest.errors import RefusedError, StorageError


def test_a_pipe_and_a_device_are_written_through_and_stay_what_they_are(tmp_path: Path) -> None:
    """With and without force: a reader at the pipe gets the text, and the device is a device afterwards."""
    pipe, got = tmp_path / "pipe", []
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
    reader.start()
    write_new(pipe, "RH 45 %", force=True)
    reader.join()
    assert got == [b"RH 45 %"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    nowhere = tmp_path / "nowhere"
    nowhere.symlink_to(os.devnull)
    write_new(nowhere, "gone", force=False)
    assert nowhere.is_symlink()
    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)


def test_a_file_is_replaced_whole_or_left_alone(tmp_path: Path) -> None:
    """Not without force; an error in the middle leaves the old one, and nothing beside it."""
    file = tmp_path / "a.csv"
    write_new(file, "old", force=False)
    with pytest.raises(RefusedError, match="already there"):
        write_new(file, "new", force=False)
    with contextlib.suppress(ZeroDivisionError), whole_file(file, force=True) as out:
        out.write(b"half")
        raise ZeroDivisionError
    assert [(one.name, one.read_text()) for one in tmp_path.iterdir()] == [("a.csv", "old")]
    write_new(file, "new", force=True)
    assert file.read_text() == "new"
    with pytest.raises(StorageError, match="cannot be written"):
        write_new(tmp_path / "no" / "folder.csv", "x", force=False)
