"""`lumberroom device-key`: what it refuses, and where it finds the store. (What it does: tests of the listener.)"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from ingest.cli.main import main
from ingest.store.sqlite_store import SqliteStore


def run(*words: str) -> Result:
    """Run the command."""
    return CliRunner().invoke(main, ["device-key", *words])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["add", "Loft", "--sensor", "loft-1"], "cannot be the name of a device"),
        (["add", "loft", "--sensor", "lo ft"], "neither a sensor's name nor the beginning"),
        (["add", "loft", "--sensor", "l*ft"], "neither a sensor's name nor the beginning"),
        (["add", "loft", "--sensor", "**"], "neither a sensor's name nor the beginning"),
        (["add", "loft"], "Missing option '--sensor'"),
        (["revoke", "loft"], "no such key"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, words: list[str], says: str) -> None:
    """A sentence each, an exit code, no traceback, and no key."""
    SqliteStore.open(tmp_path / "lumberroom.sqlite3").close()
    result = run(*words, "--data", str(tmp_path))
    assert result.exit_code in {2, 4}
    assert says in result.stderr
    assert run("list", "--data", str(tmp_path)).stdout == ""


def test_a_key_can_be_made_before_the_first_start(tmp_path: Path) -> None:
    """In the data directory of the settings file; the key alone stands on standard output, for a script to take."""
    (tmp_path / "lumberroom.toml").write_text('[site]\nname = "x"\ntime_zone = "UTC"\n[data]\ndirectory = "kept"\n')
    runner = CliRunner()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)
        made = runner.invoke(main, ["device-key", "add", "loft", "--sensor", "loft-*", "--sensor", "loft-*"])
        listed = runner.invoke(main, ["device-key", "list"])
    assert made.exit_code == 0, made.output
    assert made.stdout.startswith("lr-")
    assert made.stdout.count("\n") == 1
    assert "kept nowhere" in made.stderr
    assert "loft: may write loft-*; made 20" in listed.stdout
    assert (tmp_path / "kept" / "lumberroom.sqlite3").exists()


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    """A mistyped folder is not made."""
    result = run("list", "--data", str(tmp_path / "nowhere"))
    assert result.exit_code == 3
    assert "no such folder" in result.stderr
    assert not (tmp_path / "nowhere").exists()
