"""`lumberroom demo` as people start it: a process, a page, a mail that is really sent and caught, a clean stop."""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.store.file.integrity import check_integrity
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

COMMAND = [sys.executable, "-m", "ingest.cli.main", "demo", "--no-browser", "--port", "0"]


class Show:
    """A running demonstration, its output so far, and its page."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, *options], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout
        for line in self.process.stdout:
            self.lines.append(line.rstrip())

    @property
    def text(self) -> str:
        """Everything said so far."""
        return "\n".join(self.lines)

    def found(self, pattern: str) -> str:
        """The first group of a pattern, once it has been said."""
        return self.wait(lambda: re.search(pattern, self.text), pattern).group(1)

    def wait(self, look: Callable[[], Any], what: str, seconds: float = 30.0) -> Any:
        """Wait until `look` gives something, as long as the demonstration lives."""
        until = time.monotonic() + seconds
        while not (seen := look()):
            assert time.monotonic() < until, f"no {what} within {seconds} s:\n{self.text}"
            assert self.process.poll() is None, f"ended before {what}:\n{self.text}"
            time.sleep(0.05)
        return seen

    def get(self, path: str) -> Any:
        """Ask the page for JSON; None while it does not answer."""
        address = self.found(r"page\s+(http://127\.0\.0\.1:\d+/)")
        try:
            with urllib.request.urlopen(address + path, timeout=5) as answer:
                return json.load(answer)
        except urllib.error.URLError:
            return None

    def stop(self, number: signal.Signals = signal.SIGINT) -> int:
        """Send a signal and give the exit code."""
        self.process.send_signal(number)
        code = self.process.wait(15)
        self._reader.join(5)
        return code

    def end(self) -> None:
        """Make sure that nothing is left."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(5)
        self._reader.join(5)
        assert self.process.stdout
        self.process.stdout.close()


@pytest.fixture
def start() -> Iterator[Callable[..., Show]]:
    """Starts demonstrations and ends those that a failing test left running."""
    shows: list[Show] = []

    def begin(*options: str) -> Show:
        shows.append(Show(*options))
        return shows[-1]

    yield begin
    for show in shows:
        show.end()


def test_the_whole_demonstration(start: Callable[..., Show], tmp_path: Path) -> None:
    """From nothing: past stored, page healthy, room out, mail caught, clean stop; started again, it goes on."""
    show = start("--data", str(tmp_path), "--speed", "1200")
    health = show.wait(lambda: show.get("health"), "health")
    assert health["status"] == "well"
    assert [adapter["state"] for adapter in health["adapters"]] == ["running"] * 3
    incidents = show.get("api/v1/incidents")["incidents"]
    assert any(not incident["open"] for incident in incidents)
    mail = show.found(r'mail to (foreman@demonstration\.invalid was caught: ".+")')
    assert "Front room" in mail
    (incident,) = [i for i in show.get("api/v1/incidents")["incidents"] if i["open"]]
    assert (incident["room"], incident["quantity"], incident["bound"]) == ("front-room", "rh_percent", 50.0)
    assert show.get("health")["outbox"]["refused"] == 0
    assert show.stop() == 0
    assert show.lines[-1] == "Stopped."
    assert "Traceback" not in show.text
    assert check_integrity(tmp_path / FILE_NAME) == []
    last_ms = _last_ms(tmp_path)

    again = start("--data", str(tmp_path), "--speed", "60")
    again.wait(lambda: again.get("health"), "health")
    assert again.get("health")["started_ms"] >= last_ms
    assert "goes on where it stopped" in again.text
    mails = json.loads((tmp_path / "caught-mail.jsonl").read_text().splitlines()[0])
    assert "Front room" in mails["subject"]
    assert again.stop(signal.SIGTERM) == 0
    assert "Traceback" not in again.text
    assert _last_ms(tmp_path) >= last_ms


def _last_ms(directory: Path) -> int:
    store = SqliteStore.open(directory / FILE_NAME, read_only=True)
    last_ms = max(extent.last_ms for extent in store.read.extents())
    store.close()
    return last_ms


def test_without_a_folder_nothing_is_left_behind(start: Callable[..., Show]) -> None:
    """The temporary folder is named while it runs and gone after SIGTERM."""
    show = start()
    folder = Path(show.found(r"data\s+(\S+) \(deleted when you stop\)"))
    assert (folder / FILE_NAME).exists()
    assert show.stop(signal.SIGTERM) == 0
    assert not folder.exists()


def test_a_busy_port_is_told_at_once_and_plainly() -> None:
    """Another program on the port: one sentence with the mend, before any time is spent, and no traceback."""
    with socket.create_server(("127.0.0.1", 0)) as busy:
        port = str(busy.getsockname()[1])
        done = subprocess.run([*COMMAND[:-1], port], capture_output=True, text=True, timeout=20, check=False)
    assert done.returncode != 0
    assert f"port {port}" in done.stderr
    assert "choose another port" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Preparing" not in done.stdout


def test_a_folder_of_real_readings_is_refused(tmp_path: Path) -> None:
    """The demonstration does not write into a store that is not its own."""
    SqliteStore.open(tmp_path / FILE_NAME).close()
    command = [*COMMAND, "--data", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
    assert done.returncode == 4
    assert "not the demonstration's" in done.stderr
    assert "Traceback" not in done.stderr


def test_help_says_what_will_be_seen() -> None:
    """`--help` names the options with their defaults and what happens when."""
    command = [sys.executable, "-m", "ingest.cli.main", "demo", "--help"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=True)
    for words in ("--data", "--port", "--speed", "--no-browser", "8430", "invented", "mail", "Ctrl+C"):
        assert words in done.stdout
