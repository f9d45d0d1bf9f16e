"""`lumberroom acknowledge` against a running daemon, and `notify --test` through the page: the whole chain."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from ingest.cli.main import main
from ingest.cli.run import application
from ingest.runtime.daemon import Daemon
from ingest.runtime.settings import load
from ingest.site.incidents import Incident, IncidentKind
from ingest.store.sqlite_store import SqliteStore

T0_MS = 1_795_600_800_000
OPEN = Incident("store.window.1", "store", "a", IncidentKind.WINDOW, T0_MS, T0_MS, "x")


@pytest.fixture
def wired(tmp_path: Path, unused_tcp_port: int) -> Path:
    """A wiring file, and a store in which an incident is open."""
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
        work.put_incident(OPEN, at_ms=T0_MS, by="test")
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


def asked(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, list(words))
    return result.exit_code, result.output


def test_the_running_daemon_is_asked_and_notes_who(wired: Path, daemon: Daemon) -> None:
    """Typed beside a running daemon it is done and recorded; twice is once; quiet is asked for the same way."""
    assert asked("acknowledge", OPEN.id, str(wired)) == (0, f"{OPEN.id}: You have taken it in hand.\n")
    assert asked("acknowledge", OPEN.id, str(wired))[0] == 0
    assert daemon.services is not None
    first = daemon.services.read.handlings([OPEN.id])[OPEN.id]
    assert first.is_acknowledged
    code, said = asked("acknowledge", OPEN.id, str(wired), "--quiet-hours", "4")
    assert (code, said) == (0, f"{OPEN.id}: No further notices for 4 hours.\n")
    second = daemon.services.read.handlings([OPEN.id])[OPEN.id]
    assert second.snoozed_until_ms is not None
    assert second.acknowledged_ms == first.acknowledged_ms


def test_the_whole_chain_is_tried(wired: Path, daemon: Daemon) -> None:
    """`notify --test` opens a signed link through the public address and hands the command its test."""
    code, said = asked("notify", "--test", str(wired))
    assert code == 0, said
    assert "the page answers, and knows our signature" in said
    assert "command to bell: accepted" in said


def test_without_a_daemon_both_say_so(wired: Path) -> None:
    """Nobody there: told with its mend; the exit code is not 0."""
    code, said = asked("acknowledge", OPEN.id, str(wired))
    assert code == 5
    assert "lumberroom run" in said
    code, said = asked("notify", "--test", str(wired))
    assert code == 5
    assert "whether the daemon runs" in said


def test_an_incident_that_is_not_there_is_told(wired: Path) -> None:
    """A misspelt id is a sentence with its mend."""
    code, said = asked("acknowledge", "nothing", str(wired))
    assert code != 0
    assert "there is no such incident" in said
