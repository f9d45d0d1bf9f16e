"""What systemd is told, over a real datagram socket as systemd's own."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.runtime.fitness import ROUND_LIMIT_S, WAITED_LIMIT_S
from ingest.runtime.machine.loopwatch import LoopWatch
from ingest.runtime.machine.systemd import Systemd, alive


class Listener:
    """The end at which systemd listens."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind(str(path))
        self._line.setblocking(False)

    def heard(self) -> list[str]:
        """Give what came since the last look."""
        found = []
        with contextlib.suppress(BlockingIOError):
            while True:
                found.append(self._line.recv(200).decode())
        return found

    def close(self) -> None:
        """Stop listening."""
        self._line.close()


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Listener]:
    """Somebody who listens."""
    made = Listener(tmp_path / "notify")
    yield made
    made.close()


async def test_it_is_told_that_we_live_only_while_we_do(listener: Listener) -> None:
    """The watchdog is fed three times within its limit, and no more once the proof of life is missing."""
    line = Systemd({"NOTIFY_SOCKET": str(listener.path), "WATCHDOG_USEC": "300000"})
    assert line.limit_s == 0.3
    lives = [True]
    watching = asyncio.create_task(line.watch(lambda: lives[0]))
    await asyncio.sleep(0.35)
    assert 3 <= listener.heard().count("WATCHDOG=1") <= 5
    lives[0] = False
    await asyncio.sleep(0.15)
    listener.heard()
    await asyncio.sleep(0.3)
    assert listener.heard() == []
    watching.cancel()
    await asyncio.gather(watching, return_exceptions=True)


async def test_without_systemd_nothing_is_said_and_nothing_fails(tmp_path: Path) -> None:
    """No socket, nobody at the socket, a watchdog meant for another process: all quiet."""
    Systemd({}).tell("READY=1")
    Systemd({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).tell("READY=1")
    other = {"NOTIFY_SOCKET": str(tmp_path / "x"), "WATCHDOG_USEC": "1000000", "WATCHDOG_PID": str(os.getpid() + 1)}
    assert Systemd(other).limit_s == 0
    await asyncio.wait_for(Systemd({}).watch(lambda: True), 1)


async def test_an_abstract_socket_is_understood() -> None:
    """A name that begins with @ is in the abstract namespace (sd_notify(3))."""
    name = f"lumberroom-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind("\0" + name)
        line.settimeout(2)
        Systemd({"NOTIFY_SOCKET": "@" + name}).tell("READY=1")
        assert await asyncio.to_thread(line.recv, 100) == b"READY=1"


@pytest.mark.parametrize(
    ("waited_s", "round_age_s", "store_error", "expected"),
    [
        (0.0, 30.0, "", True),
        (WAITED_LIMIT_S + 1, 30.0, "", False),  # the writer's thread hangs
        (0.0, ROUND_LIMIT_S + 1, "", False),
        (WAITED_LIMIT_S + 1, ROUND_LIMIT_S + 1, "the disk is full", True),  # it works, and a restart would not help
    ],
)
def test_proof_of_life_is_work_that_gets_done(
    waited_s: float, round_age_s: float, store_error: str, expected: bool
) -> None:
    """Readings are written in time and rounds finish; a disk that says no is an answer too."""
    assert alive(waited_s=waited_s, round_age_s=round_age_s, store_error=store_error) is expected


async def test_a_stall_of_the_event_loop_is_measured() -> None:
    """A third of a second of blocking shows as such."""
    watch = LoopWatch()
    running = asyncio.create_task(watch.run())
    await asyncio.sleep(0.05)
    time.sleep(0.55)
    await asyncio.sleep(0.05)
    running.cancel()
    assert 0.25 < watch.longest_s < 1.0
    assert watch.as_figures()["longest_stall_s"] == round(watch.longest_s, 4)


SITE = (
    '[site]\nname = "x"\ntime_zone = "Europe/Berlin"\n[page]\nport = 0\n[[room]]\nid = "loft"\n[[room.sensor]]\n'
    'id = "loft"\n[[adapter]]\nname = "sim"\ntype = "simulated_room"\nsensor = "loft"\ninterval_s = 1\n'
)
OFFICE = '[office]\nname = "x"\ntime_zone = "UTC"\n[page]\nport = 0\n[central]\naddress = "http://127.0.0.1:9"\n'


@pytest.mark.parametrize(("name", "text"), [("run", SITE), ("office", OFFICE)], ids=["site", "office"])
async def test_the_real_daemon_says_ready_alive_and_stopping(
    listener: Listener, tmp_path: Path, name: str, text: str
) -> None:
    """`lumberroom run` and `lumberroom office` as systemd starts them: ready when they are, alive while they work (an
    office also while its engine is away), stopping when told to."""
    (tmp_path / "lumberroom.toml").write_text(text)
    environment = os.environ | {"NOTIFY_SOCKET": str(listener.path), "WATCHDOG_USEC": "1000000"}
    environment.pop("WATCHDOG_PID", None)
    command = [sys.executable, "-c", "from ingest.cli.main import main; main()", name]
    daemon = subprocess.Popen(
        [*command, str(tmp_path / "lumberroom.toml")], env=environment, stderr=subprocess.DEVNULL, cwd=Path.cwd()
    )
    heard: list[str] = []

    async def until(said: str) -> None:
        async with asyncio.timeout(30):
            while said not in heard:
                heard.extend(listener.heard())
                await asyncio.sleep(0.02)

    await until("READY=1")
    heard.clear()
    await until("WATCHDOG=1")
    daemon.terminate()
    await until("STOPPING=1")
    assert await asyncio.to_thread(daemon.wait, 20) == 0


DEPLOY = Path(__file__).parents[3] / "deploy"
UNITS = ("lumberroom.service", "lumberroom-office.service")
WALLS = re.compile(r"^(?:Protect|Private|Restrict|NoNew|Lock|UMask|Memory|Restart|Watchdog|Type|User).*$", re.MULTILINE)


def of_unit(name: str, key: str) -> str:
    """Give what stands under a key of one of our units."""
    return dict(line.split("=", 1) for line in (DEPLOY / name).read_text().splitlines() if "=" in line)[key]


def test_the_offices_unit_is_walled_in_like_a_sites() -> None:
    """What keeps the watch off the rest of the machine, and brings it back when it has died, holds for both."""
    site, office = (set(WALLS.findall((DEPLOY / name).read_text())) for name in UNITS)
    assert len(site) >= 16
    assert {line for line in site ^ office if not line.startswith("MemoryMax=")} == set()


@pytest.mark.parametrize("name", UNITS)
def test_a_unit_starts_a_command_that_there_is_with_the_paths_of_the_guide(name: str, tmp_path: Path) -> None:
    """Its command is one of lumberroom's, its paths are those that OPERATIONS.md tells people to make, and systemd,
    where it is here, has nothing to say against it."""
    guide = (DEPLOY / "OPERATIONS.md").read_text()
    program, command, file = of_unit(name, "ExecStart").split()
    main = [sys.executable, "-c", "from ingest.cli.main import main; main()"]
    subprocess.run([*main, command, "--help"], check=True, capture_output=True)
    state = f"/var/lib/{of_unit(name, 'StateDirectory')}"
    assert of_unit(name, "WorkingDirectory") == state
    for path in (program, file, state, of_unit(name, "EnvironmentFile").removeprefix("-"), f"deploy/{name}"):
        assert path in guide, path
    if shutil.which("systemd-analyze"):
        unit = tmp_path / name
        unit.write_text((DEPLOY / name).read_text().replace(program, sys.executable))
        verify = ["systemd-analyze", "verify", "--man=no", unit]
        said = subprocess.run(verify, check=True, capture_output=True, text=True)
        assert said.stderr == ""
