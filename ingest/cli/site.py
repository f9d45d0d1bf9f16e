"""`lumberroom site export|apply`: carries the job between files and machines; the store keeps its history."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.cli.wiring_file import DEFAULT_FILE

if TYPE_CHECKING:
    from ingest.site.places import Site
    from ingest.store.sqlite_store import SqliteStore

_data_option = click.option(
    "--data",
    type=click.Path(path_type=Path),
    help="The data directory; else that of FILE where FILE is a wiring file, or of lumberroom.toml in this folder.",
)


@click.group(short_help="Carry the job (rooms, windows, sensors) between files and machines.")
def site() -> None:
    """Carry the job (the site, its rooms, windows and sensors) between files and machines.

    The job lives in the store. The wiring file seeds it once and adds new rooms and sensors later; what you change
    otherwise goes in with `site apply`. Every change is kept with what was before.
    """


@site.command(name="export", short_help="Write the job to a file or to standard output.")
@click.argument("file", type=click.Path(path_type=Path, allow_dash=True), default="-", metavar="[FILE]")
@_data_option
@click.option("--force", is_flag=True, help="Overwrite FILE if it is there.")
def export_job(file: Path, data: Path | None, force: bool) -> None:
    """Write the job to FILE, or to standard output, as the [site] and [[room]] sections of a wiring file.

    The daemon may be running meanwhile.
    """
    from ingest.cli.new_file import write_new
    from ingest.settings.site_text import job_text
    from ingest.store.sqlite_store import SqliteStore

    with SqliteStore.open(_store(data, None), read_only=True) as store:
        stored = store.read.site()
    if stored is None:
        click.echo("There is no job in this store yet.", err=True)
        raise SystemExit(2)
    if str(file) == "-":
        click.echo(job_text(stored), nl=False)
    else:
        write_new(file, job_text(stored), force=force)
        click.echo(f"The job is in {file}.", err=True)


@site.command(name="apply", short_help="Make the job of a file the job as it stands.")
@click.argument("file", type=click.Path(path_type=Path))
@_data_option
@click.option("--dry-run", is_flag=True, help="Only say what would change.")
def apply_job(file: Path, data: Path | None, dry_run: bool) -> None:
    """Make the [site] and [[room]] sections of FILE the job as it stands; what was before stays in the history.

    Rooms that FILE does not name are no longer watched; their readings stay. Stop the daemon first: one program at a
    time may write a store.
    """
    from ingest.clock import SystemClock
    from ingest.runtime.job import changes
    from ingest.settings.reading import load_job
    from ingest.store.sqlite_store import SqliteStore

    wanted = load_job(file)
    with SqliteStore.open(_store(data, file), read_only=dry_run) as store:
        stored = store.read.site()
        if not dry_run and stored != wanted:
            _save(store, wanted, SystemClock().now_ms())
    words = ["the site and all its rooms are added"] if stored is None else changes(stored, wanted)
    _say(words, dry_run=dry_run)


def _save(store: SqliteStore, wanted: Site, now_ms: int) -> None:
    with store.transaction() as work:
        work.save_site(wanted, at_ms=now_ms, by=f"site apply by {_user()}")


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown user"


def _say(words: list[str], *, dry_run: bool) -> None:
    if not words:
        click.echo("Nothing changes: the job is already as this file says.")
        return
    click.echo("This would change:" if dry_run else "Changed:")
    for word in words:
        click.echo(f"  - {word}")


def _store(data: Path | None, file: Path | None) -> Path:
    from ingest.cli.job_data import store_named
    from ingest.settings.reading import sections_of

    if data is None and file is not None and sections_of(file) - {"site", "room"}:
        return store_named(file)
    return store_named(data or Path(DEFAULT_FILE))
