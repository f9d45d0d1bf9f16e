"""The command itself: loads only what is used, turns every error into a sentence, and is quiet about a closed pipe."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from adapters.contract import LostDeviceError
from adapters.contract import SettingsError as AdapterSettingsError
from ingest.cli.main import CommandTable, main
from ingest.errors import InputError, LumberroomError, RefusedError, SettingsError, StorageError, TransientError

HEAVY = ("numpy", "pydantic", "fastapi", "uvicorn", "apscheduler", "aiosmtplib", "structlog", "pyarrow", "bleak")


@pytest.fixture
def failing() -> click.Group:
    """A table whose one command raises what its test puts into `failing.error`."""

    @click.group(cls=CommandTable)
    @click.option("--debug", is_flag=True)
    def table(debug: bool) -> None:
        pass

    return table


def run_failing(table: click.Group, error: Exception, *options: str) -> Result:
    """Run a command that raises `error`."""

    @click.command()
    def fail() -> None:
        raise error

    table.get_command = lambda ctx, cmd_name: fail  # type: ignore[method-assign]
    return CliRunner().invoke(table, [*options, "fail"])


SENTENCES = [
    (SettingsError("what", where="where", mend="Mend it."), 2, "where: what. Mend it.\n"),
    (InputError("what", where="row 3", mend="Mend it."), 2, "row 3: what. Mend it.\n"),
    (StorageError("what", where="where"), 3, "where: what\n"),
    (RefusedError("what", mend="Mend it."), 4, "what. Mend it.\n"),
    (TransientError("what"), 5, "what\n"),
    (AdapterSettingsError("what", where="port", mend="Mend it."), 2, "port: what. Mend it.\n"),
    (LostDeviceError("gone", where="/dev/x", mend="Plug it in."), 5, "/dev/x: gone. Plug it in.\n"),
]


@pytest.mark.parametrize(("error", "code", "text"), SENTENCES)
def test_an_error_is_its_sentence_and_its_exit_code(
    failing: click.Group, error: LumberroomError, code: int, text: str
) -> None:
    """What a person can mend comes as one sentence on standard error, nothing on standard output, and a code."""
    result = run_failing(failing, error)
    assert (result.exit_code, result.stderr, result.stdout) == (code, text, "")


def test_a_bug_is_short_and_says_where_the_trace_is(failing: click.Group) -> None:
    """An unexpected error shows no trace, and the file it names holds the trace."""
    result = run_failing(failing, ZeroDivisionError("division by zero"))
    assert result.exit_code == 1
    assert "Traceback" not in result.stderr
    assert "ZeroDivisionError: division by zero" in result.stderr
    trace = Path(result.stderr.partition("trace is in ")[2].partition(";")[0])
    assert "Traceback" in trace.read_text(encoding="utf-8")
    trace.unlink()


def test_debug_shows_the_trace(failing: click.Group) -> None:
    """With --debug the error comes out as Python has it."""
    assert isinstance(run_failing(failing, ZeroDivisionError(), "--debug").exception, ZeroDivisionError)


def test_every_command_is_there_and_its_help_agrees_with_the_table() -> None:
    """Each entry whose module exists gives a command of help worth reading."""
    context = click.Context(main)
    table = main
    assert isinstance(table, CommandTable)
    names = table.list_commands(context)
    assert {"init", "check", "run", "site"} <= set(names)
    for name in names:
        command = table.get_command(context, name)
        assert command is not None
        text = CliRunner().invoke(main, [name, "--help"]).output
        assert f"Usage: main {name}" in text
        assert len(text.splitlines()) >= 6, name


def test_what_is_no_command_is_an_ordinary_mistake() -> None:
    """It is named, and the others go on."""
    result = CliRunner().invoke(main, ["absent"])
    assert result.exit_code == 2
    assert "No such command 'absent'" in result.stderr


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["run", "--help"], ["check", "--help"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """Asking for help imports neither the numbers, nor the web, nor the scheduler."""
    code = (
        "import sys\nfrom ingest.cli.main import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_version_is_the_distributions() -> None:
    """`lumberroom --version` says which one is installed."""
    assert CliRunner().invoke(main, ["--version"]).output.startswith("lumberroom, version 0.")


def test_a_closed_pipe_is_quiet() -> None:
    """`lumberroom ... | head` ends without a word on standard error."""
    code = (
        "import click\nfrom ingest.cli.main import main\n"
        "@click.command()\ndef talk():\n    for _ in range(100000):\n        click.echo('x' * 100)\n"
        "main.get_command = lambda ctx, name: talk\nmain(['talk'])"
    )
    talking = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert talking.stdout is not None
    talking.stdout.read(10)
    talking.stdout.close()
    assert talking.stderr is not None
    assert talking.stderr.read() == b""
    talking.stderr.close()
    talking.wait(10)
