"""Programs that open the store of a whole running daemon under pushes: nothing acknowledged is lost."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path

import pytest

from ingest.errors import StorageError
from ingest.store.file.integrity import check_integrity
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

ROOT = Path(__file__).parents[3]
SENSORS = [f"s{number}" for number in range(10)]
TOKEN = "for-this-test-only-" + "x" * 20
PACE_S = 0.02
LUMBERROOM = [sys.executable, "-c", "from ingest.cli.main import main; main()"]


class Pushing(threading.Thread):
    """A program that pushes packs of all sensors, 50 a second, and counts those that were acknowledged."""

    def __init__(self, address: str) -> None:
        super().__init__()
        self.acknowledged, self.unlike = 0, ""
        self._address, self._ending = address, threading.Event()
        self._from_s = int(time.time()) - 900_000

    def run(self) -> None:
        while not self._ending.wait(PACE_S) and not self.unlike:
            at = {"bt": self._from_s + self.acknowledged}
            pack = [
                {"n": f"{sensor}/{name}", "u": unit, "v": value} | at
                for sensor in SENSORS
                for name, unit, value in (("temperature", "Cel", 21.5), ("humidity", "%RH", 45.0))
            ]
            asked = urllib.request.Request(
                f"{self._address}/api/v1/readings", json.dumps(pack).encode(),
                {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/senml+json"},
            )  # fmt: skip
            try:
                with urllib.request.urlopen(asked, timeout=30) as answer:
                    told = answer.status
            except OSError as error:
                told = str(error)
            if told in (200, 201, 202, 204):
                self.acknowledged += 1
            else:
                self.unlike = f"pack {self.acknowledged}: {told}"

    def end(self) -> None:
        self._ending.set()
        self.join()


@contextlib.contextmanager
def daemon(folder: Path, port: int):
    """`lumberroom run`, ready, stopped in order at the end."""
    rooms = "".join(f'[[room]]\nid = "{one}"\n[[room.sensor]]\nid = "{one}"\n' for one in SENSORS)
    file = folder / "lumberroom.toml"
    file.write_text(
        f'[site]\nname = "x"\ntime_zone = "UTC"\n[page]\nport = {port}\npush_token_env = "PUSH_TOKEN"\n{rooms}'
    )
    environment = os.environ | {"PUSH_TOKEN": TOKEN}
    with (
        (folder / "log.txt").open("w") as log,
        subprocess.Popen([*LUMBERROOM, "run", str(file)], env=environment, stderr=log, stdout=log, cwd=ROOT) as running,
    ):
        for _ in range(300):
            with contextlib.suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{port}/health"):
                break
            assert running.poll() is None, (folder / "log.txt").read_text()
            time.sleep(0.1)
        yield running
        assert running.poll() is None, f"the daemon ended with {running.returncode}"
        running.terminate()
        assert running.wait(30) == 0


def look(path: Path, number: int) -> None:
    """Open the store as another program does: by our reader, an ordinary tool, a writer that is refused, commands."""
    with SqliteStore.open(path, read_only=True) as beside:
        assert len({one.count for one in beside.read.extents()}) <= 1  # whole packs only
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as tool:
        tool.execute("SELECT count(*) FROM batch").fetchone()
    if number % 10 == 0:
        with pytest.raises(StorageError, match="another lumberroom"):
            SqliteStore.open(path)
    if number % 100 == 30:
        copy = path.with_name(f"copy-{number}.sqlite3")
        for words in (["backup", path, copy], ["doctor", path], ["export", path, "--output", f"{copy}.csv"]):
            subprocess.run([*LUMBERROOM, *map(str, words)], cwd=ROOT, check=True, capture_output=True, timeout=120)
        copy.unlink()
        Path(f"{copy}.csv").unlink()


def beside_the_daemon(folder: Path, port: int, times: int) -> None:
    """Open the store so many times while the daemon takes pushes; then all that was acknowledged is there, once."""
    path = folder / "lumberroom-data" / FILE_NAME
    with daemon(folder, port) as running:
        pushing = Pushing(f"http://127.0.0.1:{port}")
        pushing.start()
        try:
            for number in range(times):
                look(path, number)
                assert running.poll() is None, (number, running.returncode)
                time.sleep(PACE_S)
        finally:
            pushing.end()
        assert pushing.unlike == ""
    with SqliteStore.open(path, read_only=True) as after:
        assert {one.count for one in after.read.extents()} == {pushing.acknowledged}
        assert after.damage == []
    assert pushing.acknowledged > times / 4
    assert check_integrity(path) == []


def test_a_second_program_beside_the_daemon_harms_nothing(tmp_path: Path, unused_tcp_port: int) -> None:
    """Eighty openings, a backup, the doctor and an export beside pushes every 20 ms."""
    beside_the_daemon(tmp_path, unused_tcp_port, 80)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_a_second_program_beside_the_daemon_two_thousand_times(tmp_path: Path, unused_tcp_port: int) -> None:
    """The same two thousand times."""
    beside_the_daemon(tmp_path, unused_tcp_port, 2000)
