"""`lumberroom weeks`: what each week did in a room."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from ingest.site.places import AcclimationWindow, Room, Site
    from ingest.site.series import Span
    from ingest.store.api import StoreReader

COMMAND: Final = ("weeks", 180, "Say week by week what the air of a room did.")

Pair = tuple[str, str]


@click.command(
    short_help="Say week by week what the air of a room did.",
    epilog="""\b
Examples:
  lumberroom weeks data --room oak-store
  lumberroom weeks data --room hall --from 2026-01-05 --to 2026-03-30 --units us
  lumberroom weeks data --room hall --emc 6 9 --rh 30 50
  lumberroom weeks data --room hall --rh - 65 --json

The third asks in which weeks a floor that wants 6 to 9 % EMC at 30 to 50 % RH
would have been outside, whatever window the room has.

\b
Exit codes: 0 well; 2 an option cannot be, or there are no readings from the room;
3 the store cannot be read; 4 there is no such room.""",
)
@click.argument("data", type=click.Path(path_type=Path), metavar="DATA")
@click.option("--room", "room_id", required=True, help="The room's id.")
@click.option("--from", "from_text", metavar="WHEN", help="From this instant on. [default: the first reading's week]")
@click.option("--to", "to_text", metavar="WHEN", help="Up to this instant. [default: the last reading's week]")
@click.option("--rh", nargs=2, metavar="LOW HIGH", help="Judge by this RH, in %; - leaves an end open.")
@click.option("--emc", nargs=2, metavar="LOW HIGH", help="Judge by this EMC, in %.")
@click.option("--temperature", nargs=2, metavar="LOW HIGH", help="Judge by this temperature: 16 24 or 60F 75F.")
@click.option(
    "--units",
    type=click.Choice(["si", "us"]),
    help="us: temperatures of the table, and bare ones of --temperature, are in °F. [default: those of the settings "
    "file where DATA is one, or lumberroom.toml here is that of DATA; else si]",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON, in SI with units in the names.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also draw the EMC day by day into this SVG file.",
)
@click.option("--force", is_flag=True, help="Replace the picture if it is there.")
def weeks(  # noqa: PLR0913, PLR0917  (click passes each option by its name)
    data: Path,
    room_id: str,
    from_text: str | None,
    to_text: str | None,
    rh: Pair | None,
    emc: Pair | None,
    temperature: Pair | None,
    units: str | None,
    as_json: bool,
    picture: Path | None,
    force: bool,
) -> None:
    """Say week by week what the air of a room did: temperature, RH, EMC, and the hours in and out of range.

    DATA is a data directory, the store's file in it, or the settings file that names it. The daemon may be running: it
    is only read.

    Each week of the site's calendar is judged by the window that the room had then, or by what --rh, --emc and
    --temperature say, and then by nothing else. A week "kept" the window, was "briefly out" (never as long at a time as
    the window's dwell time, half an hour where there is none), "left" it, or is "not known" because readings cover
    less than 90 % of it; a gap counts as neither in nor out. With several sensors in its air a room is out while any of
    them is.

    This tells what the air did, not what the wood is. Before you lay, measure the wood and the subfloor and go by the
    flooring's instructions, local codes and licensed practice.

    WHEN is a date, or a date and time (2026-01-31, 2026-01-31T14:30), in the site's time zone unless it ends in Z or
    an offset; a bare date means its first moment.
    """
    from ingest.cli.quiet import quiet_when_the_reader_goes
    from ingest.cli.site_data import site_data
    from ingest.cli.weeks_asked import room_asked, stretch_asked, window_asked
    from ingest.cli.weeks_output import document, table
    from ingest.clock import SystemClock
    from ingest.practice.weeks import week_by_week
    from ingest.present.digits import Units
    from ingest.store.sqlite_store import SqliteStore

    named = site_data(data)
    shown = units or named.units or "si"
    with SqliteStore.open(named.store, read_only=True) as store:
        site, room = room_asked(store.read, room_id)
        window = window_asked(room, rh, emc, temperature, us_units=shown == "us")
        span = stretch_asked(store.read, site, room, from_text, to_text, now_ms=SystemClock().now_ms())
        # Without a wish of the asker's each week is judged by the window of its own time, phases included.
        is_asked = any(one is not None for one in (rh, emc, temperature))
        found = week_by_week(store.read, site, room, *span, window=window if is_asked else None)
        if picture is not None:
            _draw(store.read, site, room, window, span, picture, force=force)
    with quiet_when_the_reader_goes():
        click.echo(document(found, site, room, window) if as_json else table(found, site, room, window, Units(shown)))


def _draw(
    reader: StoreReader,
    site: Site,
    room: Room,
    window: AcclimationWindow | None,
    span: Span,
    file: Path,
    *,
    force: bool,
) -> None:
    from ingest.cli.new_file import write_new
    from ingest.practice.days import season_picture
    from ingest.present.season_chart import season_chart_svg

    write_new(file, season_chart_svg(season_picture(reader, site, room, *span, window=window)), force=force)
    click.echo(f"The picture is in {file}.", err=True)
