"""`lumberroom site export|apply`: carries the job between files and machines; the store keeps its history."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import click

from ingest.cli.running_daemon import PAGE, ask, is_running, user_name
from ingest.cli.wiring_file import DEFAULT_FILE

if TYPE_CHECKING:
    from ingest.cli.site_data import SiteData
    from ingest.site.places import Site

COMMAND: Final = ("site", 100, "Carry the site setup (rooms, windows, sensors) between files and machines.")

_data_option = click.option(
    "--data",
    type=click.Path(path_type=Path),
    help="The data directory; else that of FILE where FILE is a settings file, or of lumberroom.toml in this folder.",
)


@click.group(short_help="Carry the site setup (rooms, windows, sensors) between files and machines.")
def site() -> None:
    """Carry the site setup (the site, its rooms, windows and sensors) between files and machines.

    It lives in the store. The settings file seeds an empty store, and nothing later: what you change there goes in with
    `site apply`, also while the daemon runs. Every change is kept with what was before.
    """


@site.command(name="export", short_help="Write the site setup to a file or to standard output.")
@click.argument("file", type=click.Path(path_type=Path, allow_dash=True), default="-", metavar="[FILE]")
@_data_option
@click.option("--force", is_flag=True, help="Overwrite FILE if it is there.")
def export_job(file: Path, data: Path | None, force: bool) -> None:
    """Write the site setup to FILE, or to standard output, as the [site] and [[room]] sections of a settings file.

    The daemon may be running meanwhile.
    """
    from ingest.cli.new_file import write_new
    from ingest.cli.site_data import store_named
    from ingest.settings.site_text import site_text
    from ingest.store.sqlite_store import SqliteStore

    with SqliteStore.open(store_named(data or Path(DEFAULT_FILE)), read_only=True) as store:
        stored = store.read.site()
    if stored is None:
        click.echo("There is no site setup in this store yet.", err=True)
        raise SystemExit(2)
    if str(file) == "-":
        click.echo(site_text(stored), nl=False)
    else:
        write_new(file, site_text(stored), force=force)
        click.echo(f"The site setup is in {file}.", err=True)


@site.command(name="apply", short_help="Bring the site setup in line with a file.")
@click.argument("file", type=click.Path(path_type=Path))
@_data_option
@click.option("--dry-run", is_flag=True, help="Only say what would change.")
@click.option("--remove", is_flag=True, help="Also take away the rooms and sensors that FILE does not name.")
@click.option("--yes", is_flag=True, help="Do not ask first.")
@click.option("--page", help=f"The running daemon's page: that of the settings file, or else {PAGE}.")
@click.option("--by", default=user_name, metavar="NAME", help="Who does it, for the log; your login name if not given.")
def apply_site(
    file: Path, data: Path | None, page: str | None, by: str, *, dry_run: bool, remove: bool, yes: bool
) -> None:
    """Bring the site setup in line with the [site], [station] and [[room]] sections of FILE; what was is kept.

    Rooms and sensors that FILE does not name stay as they are (a sensor may have been assigned on a page), unless you
    say --remove. The daemon may be running: the change then holds at once.
    """
    from ingest.settings.reading import load_site
    from ingest.site.editing import changes, laid_over

    wanted = load_site(file)
    setup = _setup(_data(data, file), page, by)
    stored = setup.site
    after = wanted if stored is None or remove else laid_over(stored, wanted)
    words = ["the site and all its rooms are added"] if stored is None else changes(stored, after)
    if not words:
        click.echo("Nothing changes: the site setup is already as this file says.")
        return
    click.echo("This would change:" if dry_run else "This changes:")
    for word in words:
        click.echo(f"  - {word}")
    if dry_run:
        return
    if not yes and sys.stdin.isatty():
        click.confirm("Do it?", abort=True)
    setup.change(after)
    click.echo("Done.")


class _Stored(NamedTuple):
    """The site setup of a store that nobody else writes.  site: None where there is none yet."""

    site: Site | None
    store: Path
    by: str

    def change(self, wanted: Site) -> None:
        """Make another one hold."""
        from ingest.clock import SystemClock
        from ingest.site.actor import Actor, Where
        from ingest.store.sqlite_store import SqliteStore

        with SqliteStore.open(self.store) as store, store.transaction() as work:
            work.save_site(wanted, at_ms=SystemClock().now_ms(), by=Actor(Where.COMMAND, self.by))


class _Live(NamedTuple):
    """The site setup of a running daemon, changed over its page."""

    site: Site
    number: int
    page: str
    by: str

    def change(self, wanted: Site) -> None:
        """Make another one hold.  Raises RefusedError where somebody else changed it meanwhile."""
        from ingest.settings.site_document import document_of, patch_between

        patch = patch_between(document_of(self.site), document_of(wanted))
        headers = {"If-Match": f'"{self.number}"'}
        ask(self.page, "PATCH", ADDRESS, json=patch, params={"by": self.by}, headers=headers)


ADDRESS: Final = "/api/v1/site"


def _setup(data: SiteData, page: str | None, by: str) -> _Stored | _Live:
    from ingest.settings.site_document import site_of
    from ingest.store.sqlite_store import SqliteStore

    if is_running(data.store):
        address = page or data.page or PAGE
        told = ask(address, "GET", ADDRESS)
        return _Live(site_of(told["site"]), int(told["number"]), address, by)
    if not data.store.exists():
        return _Stored(None, data.store, by)
    with SqliteStore.open(data.store, read_only=True) as store:
        return _Stored(store.read.site(), data.store, by)


def _data(data: Path | None, file: Path) -> SiteData:
    from ingest.cli.site_data import site_data
    from ingest.settings.reading import sections_of

    if data is None and sections_of(file) - {"site", "station", "room"}:
        return site_data(file)
    return site_data(data or Path(DEFAULT_FILE))
