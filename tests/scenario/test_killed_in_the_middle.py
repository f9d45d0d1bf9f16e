"""The daemon is killed with SIGKILL in the middle of ingest, twenty times in a row, and nothing promised is lost.

Every life: real processes push readings over HTTP while somebody looks at a room's figures over HTTP; one push makes a
room leave its window, so that an incident opens and a mail falls due; then the kill, at a random moment. In between
the mail server is away for some of the lives. What must hold in the end: every reading that was acknowledged (202) or
shown is in the store with its value, the store is sound, every incident is there and open, and every incident's mail
has arrived.
"""

from __future__ import annotations

import email
import email.policy
import http.client
import itertools
import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from ingest.site.incidents import IncidentKind
from ingest.site.series import SeriesKey
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

LIVES = 20
TOKEN = "a-token-of-this-test"
PUSHERS = 3


class Postbox:
    """A mail server that keeps the subjects and ids of what it took."""

    def __init__(self) -> None:
        self.mails: list[dict[str, str]] = []
        self.texts: list[str] = []

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        """Take a mail."""
        message = email.message_from_bytes(envelope.content or b"", policy=email.policy.default)
        self.mails.append({name: str(message[name]) for name in ("Subject", "Message-ID")})
        body = message.get_body(("plain",))
        self.texts.append("" if body is None else body.get_content())
        return "250 taken"


def free_port() -> int:
    """Give a port of the loopback address that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def postbox() -> Iterator[tuple[Postbox, int]]:
    """A real mail server on loopback and its port."""
    box = Postbox()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    yield box, controller.port
    controller.stop()


def wiring(mail_port: int, page_port: int) -> str:
    """Write a site with a room for every life, told of at once when outside."""
    rooms = "".join(
        f'[[room]]\nid = "room-{n}"\n[room.window]\nrh_percent = [30, 60]\nalert_after_minutes = 0\n'
        f'[[room.sensor]]\nid = "s{n}"\n'
        for n in range(LIVES)
    )
    return (
        f'[site]\nname = "Killed"\ntime_zone = "UTC"\n[page]\nport = {page_port}\npush_token_env = "PUSH"\n'
        f'[mail]\nserver = "127.0.0.1"\nport = {mail_port}\nsecurity = "none"\nfrom = "l@example.org"\n'
        f'to = ["a@example.org"]\n{rooms}'
    )


class Life:
    """One run of the daemon, with those who push and look."""

    def __init__(self, folder: Path, port: int, number: int) -> None:
        self.number = number
        self.port = port
        self.acknowledged: list[tuple[int, float]] = []
        self.shown: list[tuple[int, float]] = []
        self.refused: list[Any] = []
        self._instants = itertools.count(time.time_ns() // 1_000_000 - 60_000)  # no instant twice
        self._log = (folder / f"life-{number}.log").open("wb")
        self._process = subprocess.Popen(
            [sys.executable, "-m", "ingest.cli.main", "run", str(folder / "lumberroom.toml")],
            env={**os.environ, "PUSH": TOKEN},
            stderr=self._log,
        )
        self._over = threading.Event()

    def until_up(self) -> None:
        """Wait until the page answers."""
        end = time.monotonic() + 20
        while time.monotonic() < end:
            try:
                return self._get("/health") and None
            except (OSError, http.client.HTTPException):
                assert self._process.poll() is None, "the daemon ended by itself"
                time.sleep(0.02)
        raise AssertionError("the page did not answer within 20 s")

    def live_and_die(self, seconds: float) -> None:
        """Push and look for so long, then be killed in the middle of it."""
        work = [threading.Thread(target=self._push) for _ in range(PUSHERS)]
        work.append(threading.Thread(target=self._look))
        for thread in work:
            thread.start()
        time.sleep(seconds)
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        self._over.set()
        for thread in work:
            thread.join()
        self._log.close()

    def end(self) -> int:
        """Stop properly and give the exit code."""
        self._process.terminate()
        code = self._process.wait(12)
        self._log.close()
        return code

    def _push(self) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            while not self._over.is_set():
                self.acknowledged += self._push_once(connection)
        except (OSError, http.client.HTTPException, ValueError):
            pass  # killed
        finally:
            connection.close()

    def _push_once(self, connection: http.client.HTTPConnection) -> list[tuple[int, float]]:
        """Push a pack of five readings of this life's room, outside of its window; give them once acknowledged."""
        meant = [(at_ms, 70.0 + at_ms % 100 / 10) for at_ms in itertools.islice(self._instants, 5)]
        pack = [{"n": f"s{self.number}/humidity", "u": "%RH", "v": value, "t": at_ms / 1000} for at_ms, value in meant]
        headers = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/senml+json"}
        connection.request("POST", "/api/v1/readings", json.dumps(pack), headers)
        answer = connection.getresponse()
        told = json.loads(answer.read())
        if (answer.status, told.get("stored")) != (202, 5):
            self.refused.append(told)
            return []
        return meant

    def _look(self) -> None:
        while not self._over.is_set():
            try:
                answer = self._get(f"/api/v1/rooms/room-{self.number}/latest")
            except (OSError, http.client.HTTPException, ValueError):
                return
            self.shown += [
                (figure["at_ms"], figure["value"]) for figure in answer["figures"] if figure["quantity"] == "rh_percent"
            ]

    def _get(self, path: str) -> Any:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request("GET", path)
            return json.loads(connection.getresponse().read())
        finally:
            connection.close()


def test_nothing_promised_is_lost_by_twenty_kills(tmp_path: Path, postbox: tuple[Postbox, int]) -> None:
    """Twenty kills in the middle of ingest lose no acknowledged or shown reading, no incident and no mail."""
    box, mail_port = postbox
    chance, port = random.Random(20), free_port()
    file = tmp_path / "lumberroom.toml"
    lives = []
    for number in range(LIVES):
        # For half of the lives nobody answers at the mail server's port, so that mails must outlive the kill.
        away = number % 2 == 0
        file.write_text(wiring(free_port() if away else mail_port, port), encoding="utf-8")
        life = Life(tmp_path, port, number)
        life.until_up()
        life.live_and_die(chance.uniform(0.05, 0.45))
        lives.append(life)

    store_file = tmp_path / "lumberroom-data" / "lumberroom.sqlite3"
    assert check_integrity(store_file) == []
    out = assert_all_there(store_file, lives)
    assert len(out) >= LIVES // 2  # the kills did not all come before the first acknowledgement

    file.write_text(wiring(mail_port, port), encoding="utf-8")
    last = Life(tmp_path, port, LIVES)
    last.until_up()
    end = time.monotonic() + 60
    while time.monotonic() < end and untold(box, out):
        time.sleep(0.1)
    assert untold(box, out) == []
    assert last.end() == 0
    assert check_integrity(store_file) == []


def untold(box: Postbox, lives: list[int]) -> list[int]:
    """Give the lives of whose room no mail tells: rooms that went out together are told together."""
    return [n for n in lives if not any(re.search(rf"room-{n}\b", text) for text in list(box.texts))]


def assert_all_there(store_file: Path, lives: list[Life]) -> list[int]:
    """Check every promise of every life against the store; give the lives of which something was acknowledged."""
    out = []
    with SqliteStore.open(store_file, read_only=True) as store:
        still_open = {i.room for i in store.read.incidents(only_open=True) if i.kind is IncidentKind.WINDOW}
        for life in lives:
            series = store.read.read(SeriesKey(f"s{life.number}", "rh_percent"), 0, 1 << 50)
            stored = dict(zip(series.at_ms.tolist(), series.value.tolist(), strict=True))
            assert life.refused == []
            meant = dict(life.acknowledged + life.shown)
            lost = [at_ms for at_ms, value in meant.items() if stored.get(at_ms) != value]
            assert lost == [], f"life {life.number} lost {len(lost)} of {len(meant)} readings"
            if meant:
                assert f"room-{life.number}" in still_open
                out.append(life.number)
    return out
