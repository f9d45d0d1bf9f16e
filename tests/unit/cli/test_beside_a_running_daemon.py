"""Commands that find the running daemon by its settings file: `incidents`, its actions, `notify --test`."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import os
import shlex
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from ingest.cli.main import main
from ingest.cli.starting import application
from ingest.notices.letters.writing import commands_for
from ingest.runtime.daemon import Daemon
from ingest.settings.reading import load
from ingest.site.actor import SETTINGS
from ingest.site.incidents import Incident, IncidentKind
from ingest.store.record.kinds import HANDLING
from ingest.store.sqlite_store import SqliteStore

T0_MS = 1_795_600_800_000
OPEN = Incident("store.window.1", "store", "a", IncidentKind.WINDOW, T0_MS, T0_MS, "x")


@pytest.fixture
def wired(tmp_path: Path, unused_tcp_port: int) -> Path:
    """A settings file, and a store in which an incident is open."""
    file = tmp_path / "lumberroom.toml"
    file.write_text(
        '[site]\nname = "Mill Lane (invented)"\ntime_zone = "UTC"\n[[room]]\nid = "store"\ntitle = "Plank store"\n'
        '[room.window]\nrh_percent = [35, 55]\n[[room.sensor]]\nid = "a"\n'
        f'[page]\nport = {unused_tcp_port}\npublic_address = "http://localhost:{unused_tcp_port}"\n'
        '[[command]]\nname = "bell"\nrun = ["/bin/cat"]\n',
        encoding="utf-8",
    )
    data = tmp_path / "lumberroom-data"
    data.mkdir()
    with SqliteStore.open(data / "lumberroom.sqlite3") as store, store.transaction() as work:
        work.put_incident(OPEN, at_ms=T0_MS, by=SETTINGS)
    return file


@pytest.fixture
def daemon(wired: Path) -> Iterator[Daemon]:
    """The daemon of that file, running in a thread of its own."""
    running, up = Daemon(load(wired), app_factory=application), threading.Event()
    loop_of: list[asyncio.AbstractEventLoop] = []

    async def run() -> None:
        loop_of.append(asyncio.get_running_loop())
        await running.run(lambda address: up.set())

    thread = threading.Thread(target=lambda: asyncio.run(run()), daemon=True)
    thread.start()
    assert up.wait(20)
    yield running
    loop_of[0].call_soon_threadsafe(running.stop)
    thread.join(20)


def login_names() -> set[str]:
    names = {getpass.getuser()}
    with contextlib.suppress(OSError):
        names.add(os.getlogin())
    return names


def asked(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, list(words))
    return result.exit_code, result.output


def test_the_wiring_file_says_where_the_daemon_is(wired: Path, daemon: Daemon) -> None:
    """With the settings file alone, on any port, an action is done by the daemon and logged under the login name."""
    assert asked("incidents", "acknowledge", str(wired), OPEN.id)[0] == 0
    assert daemon.services is not None
    first = daemon.services.read.nouns(HANDLING, [OPEN.id])[OPEN.id]
    assert first.acknowledged_by in login_names()
    code, said = asked("incidents", "mute", str(wired), "store.window", "--for", "4h", "--by", "Anna")
    assert code == 0, said
    second = daemon.services.read.nouns(HANDLING, [OPEN.id])[OPEN.id]
    assert second.muted_until_ms is not None
    assert second.acknowledged_by == first.acknowledged_by
    assert OPEN.id in asked("incidents", "list", str(wired), "--open")[1]
    assert "Anna" in asked("incidents", "show", str(wired), OPEN.id)[1]


def test_what_a_notice_says_to_type_can_be_typed(wired: Path) -> None:
    """The lines that go into a mail where links lead nowhere do what they say, word for word, here without a daemon."""
    for line in commands_for(OPEN.id, wired):
        program, *words = shlex.split(line)
        assert program == "lumberroom"
        code, said = asked(*words)
        assert code == 0, said
    with SqliteStore.open(wired.parent / "lumberroom-data" / "lumberroom.sqlite3", read_only=True) as store:
        handling = store.read.nouns(HANDLING, [OPEN.id])[OPEN.id]
    assert handling.is_acknowledged
    assert handling.muted_until_ms is not None


def test_a_wiring_file_that_is_wrong_is_told(tmp_path: Path) -> None:
    """A file that is not there, or has mistakes, is a sentence and exit code 2."""
    code, said = asked("incidents", "list", str(tmp_path / "no.toml"))
    assert (code, "there is no such file" in said) == (2, True)
    (tmp_path / "bad.toml").write_text("[sight]\n", encoding="utf-8")
    code, said = asked("incidents", "acknowledge", str(tmp_path / "bad.toml"), OPEN.id)
    assert (code, "sight" in said) == (2, True)


def test_the_whole_chain_is_tried(wired: Path, daemon: Daemon) -> None:
    """`notify --test` opens a signed link through the public address and hands the command its test."""
    code, said = asked("notify", "--test", str(wired))
    assert code == 0, said
    assert "the page answers, and knows our signature" in said
    assert "command to bell: accepted" in said


def test_without_a_daemon_the_chain_says_so(wired: Path) -> None:
    """Nobody there: told with its mend; the exit code is not 0."""
    code, said = asked("notify", "--test", str(wired))
    assert code == 5
    assert "whether the daemon runs" in said


def test_site_apply_changes_the_running_daemon(wired: Path, daemon: Daemon, tmp_path: Path) -> None:
    """A window edited in the file holds at once; a sensor that was assigned meanwhile stays; the log says who."""
    assert daemon.services is not None
    setup = daemon.services.setup
    assert setup is not None
    other = tmp_path / "rooms.toml"
    other.write_text(wired.read_text(encoding="utf-8").replace("[35, 55]", "[40, 60]"), encoding="utf-8")
    code, told = asked("site", "apply", str(other), "--data", str(wired), "--by", "Mara")
    assert code == 0
    assert told.startswith('This changes:\n  - the acclimation window of room "store" changes\n')
    window = setup.site.rooms[0].window
    assert window is not None
    assert window.rh_percent is not None
    assert (window.rh_percent.low, window.rh_percent.high) == (40.0, 60.0)
    assert daemon.services.read.history("site")[-1].by == "api Mara"
    other.write_text(other.read_text(encoding="utf-8").replace('id = "a"', 'id = "b"'), encoding="utf-8")
    assert asked("site", "apply", str(other), "--data", str(wired))[0] == 0
    assert {one.id for one in setup.site.sensors} == {"a", "b"}
