"""The `lumberroom` command: a table of commands, each loaded only when it is used, and one door for errors.

Results go to standard output, everything else to standard error. Exit codes: 0 well, 1 a bug of ours, 2 wrong
settings or input, 3 storage, 4 refused, 5 may work when tried again (`ingest.errors`).
"""

from __future__ import annotations

import ast
import functools
import importlib
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
    summary: str


@functools.cache
def commands() -> dict[str, Entry]:
    """Give every command by its name, in the order of their places: what `COMMAND` says in each module of `commands`.

    The modules are read and not imported, so that `--help` loads none of them. A new command is a new module there.
    """
    found: list[tuple[int, str, Entry]] = []
    for path in Path(__file__).with_name("commands").glob("[a-z]*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.AnnAssign) and ast.unparse(node.target) == "COMMAND" and node.value is not None:
                name, place, summary = ast.literal_eval(node.value)
                found.append((place, name, Entry(f"ingest.cli.commands.{path.stem}", summary)))
    return {name: entry for _, name, entry in sorted(found)}


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
        """Give the names of the commands, without importing them."""
        return list(commands())

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command; None where there is none of that name."""
        entry = commands().get(cmd_name)
        if entry is None:
            return None
        command = getattr(importlib.import_module(entry.module), entry.module.rpartition(".")[2])
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, so that `--help` imports none of them."""
        rows = [(name, entry.summary) for name, entry in commands().items()]
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
