"""`lumberroom doctor DATA [--mend]`: says what is damaged in a store, and mends what can be mended."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ingest.cli.store_file import data_argument

if TYPE_CHECKING:
    from ingest.store.file.doctor import Findings

COMMAND: Final = ("doctor", 160, "Find what is damaged in a store, and mend what can be mended.")

_FROM_A_BACKUP: Final = """\
What is lost comes back from a backup that has it; what is there already is not stored twice:
  lumberroom export BACKUP --output all.csv
  lumberroom import all.csv --data DATA"""


@click.command(short_help="Find what is damaged in a store, and mend what can be mended.")
@data_argument
@click.option("--mend", is_flag=True, help="Mend what can be mended; stop the daemon first, and keep a copy.")
@click.option("--acknowledge", is_flag=True, help="Have what was found earlier no longer told at every start.")
def doctor(data: Path, mend: bool, acknowledge: bool) -> None:
    """Look through the store in DATA (its folder or its file) and say what is damaged, a line each.

    Every checksum is verified, every sum and rollup computed again and every record's chain followed; a large store
    takes minutes. Looking is safe while the daemon runs. The exit code is 3 when something is wrong that is not mended.
    """
    from ingest.store.file import doctor as of_stores

    if acknowledged := of_stores.acknowledge(data) if acknowledge else 0:
        click.echo(f"acknowledged: {acknowledged} found damaged or missing earlier; the next start says no more of it.")
    findings = of_stores.mend(data) if mend else of_stores.examine(data)
    _say(findings)
    if not findings.left:
        click.echo("The store is sound." if not findings.faults else "The store is sound again.")
        return
    if mend:
        click.echo("What is left cannot be mended from the rest. Compare with a backup.", err=True)
    elif data.is_file() and data.stat().st_size:
        click.echo("lumberroom doctor --mend mends what can be mended. Keep a copy of the file first.", err=True)
    click.get_current_context().exit(3)


def _say(findings: Findings) -> None:
    from ingest.store.file import checkpoints

    for fault in findings.faults:
        click.echo(fault)
    for done in findings.mended:
        click.echo(f"mended: {done}")
    if findings.mended:
        for fault in findings.left:
            click.echo(f"still: {fault}")
    for note in (*findings.notes, *filter(None, [checkpoints.caution()])):
        click.echo(f"note: {note}")
    if findings.has_lost:
        click.echo(_FROM_A_BACKUP)
