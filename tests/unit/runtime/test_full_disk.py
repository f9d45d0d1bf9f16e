"""A disk that is really full, a medium that cannot be written: said by page, health and mail; then all goes on."""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from adapters.contract import Reading
from ingest.clock import DrivenClock
from ingest.errors import StorageError
from ingest.notices.channels.channel import Later, Outcome, Refused, Sent
from ingest.notices.letters.compose_store import StoreNews
from ingest.runtime.intake import IntakeHealth
from ingest.runtime.storewatch import StoreWatch
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

SITE = Site("Lakeside", "Europe/Berlin")
FULL = "the disk is full, so nothing more can be stored"


class Letterbox:
    """A real mail server on loopback that keeps what it is given."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []

    async def handle_DATA(self, server: object, session: object, envelope: Any) -> str:
        """Keep a mail."""
        found = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(found, EmailMessage)
        self.mails.append(found)
        return "250 kept"

    def subjects(self) -> list[str]:
        """Give what has come so far."""
        return [str(mail["Subject"]) for mail in self.mails]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of four megabytes in memory, where this user may mount one."""
    folder = tmp_path / "small"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip(f"no file system may be mounted here, so none can be filled: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Fill a file system to its last byte; give the file that does."""
    ballast = folder / "ballast"
    with ballast.open("ab", buffering=0) as file:
        for size in (65536, 512, 1):
            try:
                while True:
                    file.write(b"\0" * size)
            except OSError:
                continue
    return ballast


def until(what: Callable[[], Any], seconds: float) -> Any:
    """Wait until something is so."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := what():
            return found
        time.sleep(0.1)
    raise AssertionError("it did not come to be so in time")


def asked(address: str) -> tuple[int, str]:
    """Ask the page for something; give its status and text."""
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


PROGRAM = """
import sys
from ingest.runtime import storewatch
storewatch.LASTS_S, storewatch.LOOK_EVERY_S, storewatch.OVER_AFTER_S = 1.0, 0.2, 2.0
from ingest.runtime import daemon
daemon.LOOK_EVERY_S = 0.2
from ingest.runtime import storeopening
storeopening.ROOM_LOOK_EVERY_S = 0.3
from ingest.cli.main import main
main()
"""


@pytest.fixture
def letterbox() -> Iterator[tuple[Letterbox, int]]:
    """A mail server, and its port."""
    box = Letterbox()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = Controller(box, hostname="127.0.0.1", port=port)
    server.start()
    yield box, port
    server.stop()


Start = Callable[[], tuple[subprocess.Popen[bytes], Path]]


@pytest.fixture
def start(small_disk: Path, tmp_path: Path, letterbox: tuple[Letterbox, int]) -> Iterator[Start]:
    """Give a function that starts a daemon whose data lie on the small disk: its process and its log."""
    (tmp_path / "lumberroom.toml").write_text(
        f'[site]\nname = "Lakeside"\ntime_zone = "Europe/Berlin"\n[data]\ndirectory = "{small_disk}/data"\n'
        "[station]\ndisk_free_mb = false\n[page]\nport = 0\n"
        '[[adapter]]\nname = "simulated"\ntype = "simulated_room"\nsensor = "hall-1"\n'
        'interval_s = 1\n[[room]]\nid = "hall"\n[[room.sensor]]\nid = "hall-1"\n'
        f'[mail]\nserver = "127.0.0.1"\nport = {letterbox[1]}\nsecurity = "none"\nfrom = "l@example.org"\n'
        'to = ["a@example.org", "b@example.org"]\n'
    )
    log, running = tmp_path / "log", list[subprocess.Popen[bytes]]()

    def make() -> tuple[subprocess.Popen[bytes], Path]:
        with log.open("wb") as errors:
            command = [sys.executable, "-c", PROGRAM, "run", str(tmp_path / "lumberroom.toml"), "--log", "json"]
            running.append(subprocess.Popen(command, stderr=errors, cwd=Path(__file__).parents[3]))
        return running[-1], log

    yield make
    for process in running:
        process.kill()
        process.wait(20)


def page_of(log: Path) -> str:
    """Wait for the page and give its address."""
    address: str = until(lambda: next((one for one in log.read_text().split() if one.startswith("http://127")), ""), 30)
    return address


def health(page: str) -> dict[str, Any]:
    """Ask for the health."""
    found: dict[str, Any] = json.loads(asked(page + "health")[1])
    return found


def test_a_daemon_on_a_full_disk_says_so_and_goes_on(
    start: Start, small_disk: Path, letterbox: tuple[Letterbox, int]
) -> None:
    """Filled to the last byte: page, health and one mail say so; with room again all that came meanwhile is stored."""
    (process, log), box = start(), letterbox[0]
    page = page_of(log)
    until(lambda: health(page)["store"]["stored"] > 0, 20)
    ballast = fill(small_disk)
    until(lambda: health(page)["status"] == "failing", 60)
    fill(small_disk)  # what a checkpoint gave back meanwhile
    status, text = asked(page + "health")
    assert status == 503
    assert FULL in json.loads(text)["troubles"][0]
    shown = asked(page)[1]
    assert 'class="troubles failing"' in shown
    assert FULL in shown
    until(lambda: len(box.mails) == 2, 30)
    assert box.subjects() == ["Lakeside: readings cannot be stored"] * 2
    assert {str(mail["To"]) for mail in box.mails} == {"a@example.org", "b@example.org"}
    plain = box.mails[0].get_body(("plain",))
    assert plain is not None
    assert FULL in " ".join(plain.get_content().split())
    held = until(lambda: health(page)["store"]["held"] >= 4 and health(page)["store"]["held"], 30)
    ballast.unlink()
    until(lambda: health(page)["store"]["held"] == 0 and health(page)["status"] != "failing", 60)
    until(lambda: len(box.mails) == 4, 30)
    assert box.subjects()[2:] == ["Lakeside: readings are stored again"] * 2
    assert "troubles failing" not in asked(page)[1]
    after = health(page)["store"]
    assert after["given_up"] == 0
    assert after["stored"] >= held
    process.terminate()
    process.wait(20)
    assert "Traceback" not in log.read_text()
    with SqliteStore.open(small_disk / "data" / "lumberroom.sqlite3") as store:
        at_ms = store.read.read(store.read.extents()[0].key, 0, 2**53).at_ms
        assert 2 * len(at_ms) >= after["stored"]
        assert max(b - a for a, b in itertools.pairwise(at_ms)) < 5_000  # no reading of the time is missing
    assert check_integrity(small_disk / "data" / "lumberroom.sqlite3") == []


def test_a_daemon_that_starts_on_a_full_disk_mails_and_waits_for_room(
    start: Start, small_disk: Path, letterbox: tuple[Letterbox, int]
) -> None:
    """No page yet, but a mail; with room it runs, and says that as well; asked to stop while it waits, it stops."""
    box, ballast = letterbox[0], fill(small_disk)
    process, log = start()
    until(lambda: len(box.mails) == 2, 30)
    assert box.subjects() == ["Lakeside: readings cannot be stored"] * 2
    process.terminate()
    assert process.wait(20) == 3
    assert "Traceback" not in log.read_text()
    process, log = start()
    until(lambda: len(box.mails) == 4, 30)
    ballast.unlink()
    page = page_of(log)
    until(lambda: health(page)["store"]["stored"] > 0, 20)
    until(lambda: len(box.mails) == 6, 30)
    assert box.subjects()[4:] == ["Lakeside: readings are stored again"] * 2
    process.terminate()
    assert process.wait(20) == 0


def test_no_store_can_be_made_on_a_full_disk(small_disk: Path) -> None:
    """It is told in a sentence with its remedy."""
    fill(small_disk)
    with pytest.raises(StorageError, match="the disk is full") as caught:
        SqliteStore.open(small_disk / "lumberroom.sqlite3")
    assert "Make room on the disk" in str(caught.value)


def test_a_store_that_is_there_opens_for_looking_on_a_full_disk(
    small_disk: Path, reading: Callable[..., Reading]
) -> None:
    """What is stored can be read while nothing can be written."""
    path = small_disk / "lumberroom.sqlite3"
    with SqliteStore.open(path) as store, store.transaction() as work:
        work.append(ReadingBatch.of([reading()]), heard_ms=1)
    fill(small_disk)
    with SqliteStore.open(path, read_only=True) as store:
        assert store.read.extents()[0].count == 1


@pytest.mark.parametrize("made_before", [True, False], ids=["there", "new"])
def test_a_medium_that_cannot_be_written_is_told_in_a_sentence(
    small_disk: Path, reading: Callable[..., Reading], made_before: bool
) -> None:
    """Mounted read-only: writing is refused with what to do, looking works."""
    path = small_disk / "lumberroom.sqlite3"
    if made_before:
        with SqliteStore.open(path) as store, store.transaction() as work:
            work.append(ReadingBatch.of([reading()]), heard_ms=1)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(StorageError, match=r"cannot be written.*remount,rw|Make its folder and file writable"):
        SqliteStore.open(path)
    if made_before:
        with SqliteStore.open(path, read_only=True) as store:
            assert store.read.extents()[0].count == 1
        assert check_integrity(path) == []


def test_a_disk_that_becomes_read_only_while_it_runs_is_told(small_disk: Path, reading: Callable[..., Reading]) -> None:
    """As a card that the system remounts after an error: a sentence, nothing lost, and writing goes on afterwards."""
    path = small_disk / "lumberroom.sqlite3"
    store = SqliteStore.open(path)
    handle = os.open(path, os.O_RDONLY)
    try:
        with store.transaction() as work:
            work.append(ReadingBatch.of([reading()]), heard_ms=1)
        store._writer.execute("PRAGMA query_only = ON")  # a busy file system cannot be remounted: SQLite's own refusal
        with pytest.raises(StorageError, match="the store cannot be written"), store.transaction() as work:
            work.append(ReadingBatch.of([reading(at_ms=2)]), heard_ms=1)
        store._writer.execute("PRAGMA query_only = OFF")
        with store.transaction() as work:
            work.append(ReadingBatch.of([reading(at_ms=2)]), heard_ms=1)
        assert store.read.extents()[0].count == 2
    finally:
        os.close(handle)
        store.close()


class Post:
    """A way out whose answers the test plans; what is not planned is sent."""

    def __init__(self, *plan: Outcome) -> None:
        self.plan = list(plan)
        self.sent: list[tuple[str, bool]] = []
        self.direct_recipients = ("a@example.org", "b@example.org")

    async def directly(self, news: StoreNews, recipient: str) -> Outcome:
        """Answer as planned."""
        outcome = self.plan.pop(0) if self.plan else Sent()
        if isinstance(outcome, Sent):
            self.sent.append((recipient, news.until_ms is None))
        return outcome


class Course:
    """A store's health over time, and who was told."""

    def __init__(self, clock: DrivenClock, post: Post) -> None:
        self.clock, self.post, self.intake = clock, post, IntakeHealth()
        self.watch = StoreWatch(lambda: SITE, clock, post)
        self.watch.follow(self.intake, str)

    async def go(self, error: str, seconds: float) -> None:
        """Let the store fare like this for so long."""
        self.intake.store_error = error
        for _ in range(int(seconds / 5)):
            await self.watch.look()
            await self.clock.advance(5)


async def test_a_moments_trouble_is_told_to_nobody(clock: DrivenClock) -> None:
    """Less than a minute: no mail, and none that it is over."""
    course = Course(clock, Post())
    await course.go(FULL, 50)
    await course.go("", 2000)
    assert course.post.sent == []


async def test_each_is_told_once_and_once_that_it_is_over(clock: DrivenClock) -> None:
    """A disk at its brink that fails every other minute for an hour is one trouble: one mail, and one at its end."""
    course = Course(clock, Post())
    for _ in range(30):
        await course.go(FULL, 65)
        await course.go("", 60)
    told = [("a@example.org", True), ("b@example.org", True)]
    assert course.post.sent == told
    await course.go("", 700)
    assert course.post.sent == [*told, ("a@example.org", False), ("b@example.org", False)]
    await course.go("", 2000)
    assert len(course.post.sent) == 4
    await course.go(FULL, 100)
    assert course.post.sent[4:] == told


async def test_a_trouble_that_paused_before_it_was_told_is_told_as_one_that_lasts(clock: DrivenClock) -> None:
    """Full, well for a look, full again: the mail says that nothing can be stored, not that storing goes on."""
    course = Course(clock, Post())
    await course.go(FULL, 30)
    await course.go("", 5)
    await course.go(FULL, 60)
    assert course.post.sent == [("a@example.org", True), ("b@example.org", True)]


async def test_a_mail_server_that_is_away_is_tried_again_and_who_refuses_is_left_alone(clock: DrivenClock) -> None:
    """Each gets it once, however long it takes; a refusal ends it; who heard the beginning hears the end."""
    course = Course(clock, Post(Later("away", way_closed=True), Refused("no such user"), Later("away")))
    await course.go(FULL, 300)
    assert course.post.sent == [("a@example.org", True)]
    await course.go("", 700)
    assert course.post.sent == [("a@example.org", True), ("a@example.org", False)]


async def test_a_mail_server_that_hangs_holds_nothing_up(clock: DrivenClock) -> None:
    """Cut off after its time, it counts as one that is away."""

    class Hanging(Post):
        async def directly(self, news: StoreNews, recipient: str) -> Outcome:
            await asyncio.sleep(3600)
            return Sent()

    from ingest.runtime import storewatch

    before = storewatch.SEND_LIMIT_S
    storewatch.SEND_LIMIT_S = 0.05
    try:
        course = Course(clock, Hanging())
        await course.go(FULL, 70)
        assert course.watch.as_figures()["told"] == []
    finally:
        storewatch.SEND_LIMIT_S = before
