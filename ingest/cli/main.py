"""The `lumberroom` command: a table of commands, each loaded only when it is used, and one door for errors.

Results go to standard output, everything else to standard error. Exit codes: 0 well, 1 a bug of ours, 2 wrong
settings or input, 3 storage, 4 refused, 5 may work when tried again (`ingest.errors`).
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import tempfile
import traceback
from pathlib import Path
from typing import Any, Final, NamedTuple, NoReturn

import click

from adapters.contract import AdapterError, Reason
from ingest.errors import LumberroomError, RefusedError, SettingsError, TransientError


class Entry(NamedTuple):
    """Where a command lives, and its one line in the list of commands."""

    module: str
    attribute: str
    summary: str


COMMANDS: Final[dict[str, Entry]] = {
    "demo": Entry("ingest.cli.demo", "demo", "Show an invented site with three rooms; no configuration needed."),
    "init": Entry("ingest.cli.init", "init", "Ask a few questions and write a commented settings file."),
    "notify": Entry("ingest.cli.notify", "notify", "Try the ways by which people are told."),
    "check": Entry("ingest.cli.check", "check", "Check a settings file and say in words what it would watch."),
    "run": Entry("ingest.cli.run", "run", "Run the watch: read, store, judge, mail, show."),
    "office": Entry("ingest.cli.office", "office", "Show all sites from a central engine; mail when one is offline."),
    "discover": Entry("ingest.cli.discover", "discover", "Find sensors near this computer, with live figures."),
    "adapters": Entry("ingest.cli.adapters", "adapters", "Show the kinds of adapter, and the settings of one."),
    "device-key": Entry("ingest.cli.device_key", "device_key", "Give devices keys by which they hand readings in."),
    "site": Entry(
        "ingest.cli.site", "site", "Carry the site setup (rooms, windows, sensors) between files and machines."
    ),
    "derive": Entry("ingest.cli.derive", "derive", "Add dew point, grains per pound, EMC and more to a table."),
    "export": Entry("ingest.cli.export", "export", "Write stored readings to a file."),
    "buckets": Entry("ingest.cli.buckets", "buckets", "Statistics of stored series, bucket by bucket."),
    "backup": Entry("ingest.cli.backup", "backup", "Copy the store to a new file while everything goes on."),
    "restore": Entry("ingest.cli.restore", "restore", "Go back to a copy that backup made."),
    "doctor": Entry("ingest.cli.doctor", "doctor", "Find what is damaged in a store, and mend what can be mended."),
    "incidents": Entry("ingest.cli.incidents", "incidents", "List incidents, and say what is done about them."),
    "weeks": Entry("ingest.cli.weeks", "weeks", "Say week by week what the air of a room did."),
    "import": Entry("ingest.cli.import_readings", "import_readings", "Read readings from a file into the store."),
    "wood": Entry("ingest.cli.wood", "wood", "Answer a floor layer: EMC, RH to hold, movement, days to settle."),
}
"""Every command by name; those whose module is not there (yet) are left out, and never break the others."""

_EXIT_CODES: Final[dict[Reason, int]] = {
    Reason.SETTINGS: SettingsError.exit_code,
    Reason.LIBRARY_MISSING: SettingsError.exit_code,
    Reason.REFUSED: RefusedError.exit_code,
    Reason.TRANSIENT: TransientError.exit_code,
    Reason.LOST_DEVICE: TransientError.exit_code,
    Reason.PROTOCOL: TransientError.exit_code,
}


class CommandTable(click.Group):
    """A group whose commands are imported when they are called for, and at no other time."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the names of the commands whose modules are there, without importing them."""
        return [name for name, entry in COMMANDS.items() if importlib.util.find_spec(entry.module) is not None]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command; None where there is none of that name."""
        entry = COMMANDS.get(cmd_name)
        if entry is None or importlib.util.find_spec(entry.module) is None:
            return None
        command = getattr(importlib.import_module(entry.module), entry.attribute)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, so that `--help` imports none of them."""
        rows = [(name, COMMANDS[name].summary) for name in self.list_commands(ctx)]
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a mistake becomes one sentence, a bug a short one that says where the rest is."""
        try:
            return super().invoke(ctx)
        except LumberroomError as error:
            _stop(ctx, str(error), error.exit_code)
        except AdapterError as error:
            _stop(ctx, str(error), _EXIT_CODES[error.reason])
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise  # click prints these itself, and is quiet about a reader that went away
        except Exception as error:
            if ctx.params.get("debug"):
                raise
            _stop(ctx, _bug_sentence(error), LumberroomError.exit_code)


@click.group(
    cls=CommandTable,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Try it without any sensor: lumberroom demo. On a real site: lumberroom init, check, run.",
)
@click.version_option(None, "--version", package_name="lumberroom", prog_name="lumberroom")
@click.option("--debug", is_flag=True, envvar="LUMBERROOM_DEBUG", help="Show the whole trace of an unexpected error.")
def main(debug: bool) -> None:
    """Watch the climate around wood: where it is stored, laid, lived with or dried.

    lumberroom reads temperature and relative humidity, derives dew point, grains per pound and equilibrium moisture
    content (EMC), keeps the record, mails when a room leaves its acclimation window, and shows it on a page.
    """


def _stop(ctx: click.Context, sentence: str, exit_code: int) -> NoReturn:
    click.echo(sentence, err=True)
    ctx.exit(exit_code)


def _bug_sentence(error: Exception) -> str:
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    sentence = f"Something went wrong inside lumberroom that should not have ({what})."
    try:
        handle, name = tempfile.mkstemp(prefix="lumberroom-trace-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            traceback.print_exception(error, file=file)
    except OSError:
        return f"{sentence} Run it again as `lumberroom --debug ...` for the whole trace."
    return f"{sentence} The whole trace is in {Path(name)}; please send it with your report."


if __name__ == "__main__":
    main()
