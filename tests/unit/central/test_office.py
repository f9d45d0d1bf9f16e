"""The office: all sites from the engine alone, silence told by mail, and no false alarm when the engine was away."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session

from dashboards.app import create_app
from ingest.central.announcements import hear
from ingest.central.dialects import MetricsEngine
from ingest.central.engine import EngineAddress
from ingest.clock import DrivenClock, FastClock
from ingest.errors import RefusedError, SettingsError
from ingest.notices.letters.compose import Beside
from ingest.notices.letters.compose_site import compose_site
from ingest.notices.rounds import look_round
from ingest.runtime.notifying import Notifying
from ingest.runtime.office import Office
from ingest.runtime.office_watch import OfficeWatch
from ingest.settings.office import OfficeWiring, load_office
from ingest.settings.reading import load
from ingest.settings.wiring import MailWiring, PageWiring
from ingest.site.incidents import NoticeKind, NoticeState
from ingest.site.places import Site
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

MINUTE_S = 60.0


def wired(url: str, folder: Path, **changes: Any) -> OfficeWiring:
    """Give an office's wiring."""
    made = OfficeWiring("Head office", "Europe/Berlin", EngineAddress(url, timeout_s=2.0), folder / "office")
    return replace(made, **changes)


class Desk:
    """An office's watch on a driven clock, over a store of its own."""

    def __init__(self, url: str, folder: Path, clock: DrivenClock) -> None:
        self.clock = clock
        self.path = folder / f"office-{FILE_NAME}"
        self.url = url
        self.wiring = wired(url, folder, mail=MailWiring("127.0.0.1", "l@example.org", ("keeper@example.org",)))
        self.open()

    def open(self, **changes: Any) -> None:
        """Start the watch anew, as a restart of the office does."""
        self.store = SqliteStore.open(self.path)
        engine = MetricsEngine(EngineAddress(self.url, timeout_s=1.0))
        notifying = Notifying(self.wiring, self.clock)
        own = Site(self.wiring.name, self.wiring.time_zone)
        arguments = {"offline_after_s": 1200.0, **changes}
        self.watch = OfficeWatch(self.store, engine, self.clock, notifying, own, **arguments)

    async def minutes(self, count: int, *speaking: Any, flush: Any = None) -> list[str]:
        """Let minutes pass with sites speaking; give what is told as reasons."""
        told = []
        for _ in range(count):
            for core in speaking:
                core.step()
            if flush:
                flush()
            told += [incident.reason for incident in self.watch.look()]
            await self.clock.advance(MINUTE_S)
        return told


@pytest.fixture
def desk(own_metrics: Any, bench: Any, tmp_path: Path) -> Iterator[Desk]:
    """An office beside the bench's site, on one clock."""
    made = Desk(own_metrics.url, tmp_path, bench.clock)
    yield made
    made.store.close()


async def test_the_office_knows_the_job_as_the_site_has_it(own_metrics, bench) -> None:
    """Rooms, windows, sensors, zone and elevation come back whole; a room that was taken away is there no more."""
    core = bench.core(own_metrics.url)
    core.step()
    own_metrics.flush()
    engine = MetricsEngine(EngineAddress(own_metrics.url))
    now_ms = bench.clock.now_ms()
    told = hear(engine, now_ms - 3_600_000, now_ms + 60_000)[bench.site_id]
    rooms = tuple(sorted(bench.site.rooms, key=lambda room: room.id))
    sensors = tuple(sorted(bench.site.sensors, key=lambda sensor: sensor.id))
    assert told.site == replace(bench.site, rooms=rooms, sensors=sensors)
    assert told.alive_ms == now_ms
    bench.site = replace(bench.site, rooms=bench.site.rooms[:1], sensors=bench.site.sensors[:1], name="Renamed")
    await bench.clock.advance(2700)
    core.step()
    own_metrics.flush()
    now_ms = bench.clock.now_ms()
    assert hear(engine, now_ms - 3_600_000, now_ms + 60_000)[bench.site_id].site == bench.site


async def test_a_site_that_is_not_heard_is_told_and_told_again_when_it_is_back(own_metrics, bench, desk) -> None:
    """Twenty minutes without a word: an incident and a notice per recipient; the next word closes it."""
    core = bench.core(own_metrics.url)
    assert await desk.minutes(5, core, flush=own_metrics.flush) == []
    told = await desk.minutes(25)
    assert len(told) == 1
    assert told[0].startswith("Nothing has been heard from Lakeside house, yard = B since ")
    assert desk.watch.is_silent(bench.site_id)
    told = await desk.minutes(2, core, flush=own_metrics.flush)
    assert len(told) == 1
    assert " gives readings again since " in told[0]
    notices = desk.store.read.notices(state=NoticeState.WAITING)
    assert [(n.recipient, n.kind.value) for n in notices] == [
        ("keeper@example.org", "opened"),
        ("keeper@example.org", "closed"),
    ]


async def test_a_silent_site_stays_silent_over_a_restart_of_the_office(own_metrics, bench, desk) -> None:
    """The office forgets neither the site nor the incident, and does not mail about it again."""
    core = bench.core(own_metrics.url)
    await desk.minutes(3, core, flush=own_metrics.flush)
    await desk.minutes(25)
    desk.store.close()
    await bench.clock.advance(20 * 3600)
    desk.open()
    assert await desk.minutes(30) == []
    assert set(desk.watch.told) == {bench.site_id}
    assert desk.watch.is_silent(bench.site_id)
    assert len(await desk.minutes(2, core, flush=own_metrics.flush)) == 1
    desk.store.close()
    desk.open(forget=frozenset({bench.site_id}))
    await desk.minutes(2, core, flush=own_metrics.flush)
    assert desk.watch.told == {}, "a site that is no more is not watched"


async def test_an_engine_that_is_away_is_no_silent_site(own_metrics, bench, desk) -> None:
    """While nobody can be asked no site is blamed; the engine itself is; back again, sites have their whole time."""
    core = bench.core(own_metrics.url, timeout_s=0.5)
    await desk.minutes(3, core, flush=own_metrics.flush)
    own_metrics.kill()
    told = await desk.minutes(40, core)
    assert len(told) == 1
    assert told[0].startswith("Nothing has been heard from The central engine since ")
    assert "cannot be reached" in desk.watch.trouble
    own_metrics.start()
    told = await desk.minutes(45, core, flush=own_metrics.flush)
    assert len(told) == 1
    assert told[0].startswith("The central engine gives readings again since ")
    assert desk.watch.trouble == ""
    assert len(await desk.minutes(40)) == 1, "and a site that falls silent then is told as ever"


async def test_a_site_with_a_wrong_clock_is_heard_all_the_same(own_metrics, bench, desk) -> None:
    """What counts is that it speaks, by the office's clock; its own may be hours behind."""
    core = bench.core(own_metrics.url)
    await desk.minutes(3, core, flush=own_metrics.flush)
    desk.clock.step_wall(3_600_000)
    assert await desk.minutes(30, core, flush=own_metrics.flush) == []


class Letterbox:
    """A real mail server that keeps what it is given."""

    def __init__(self) -> None:
        self.taken: list[EmailMessage] = []
        self.port = 0

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        assert isinstance(envelope.content, bytes)
        message = message_from_bytes(envelope.content, policy=default)
        assert isinstance(message, EmailMessage)
        self.taken.append(message)
        return "250 OK"


@pytest.fixture
async def letterbox() -> AsyncIterator[Letterbox]:
    """A mail server on loopback."""
    box = Letterbox()
    server = await asyncio.get_running_loop().create_server(lambda: SMTP(box, hostname="here"), "127.0.0.1", 0)
    box.port = server.sockets[0].getsockname()[1]
    yield box
    server.close()


def get(address: str) -> str:
    """Ask a page; whatever the status."""
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:
            return str(answer.read().decode())
    except urllib.error.HTTPError as error:
        with error:
            return error.read().decode()


async def until(look: Any, seconds: float = 20.0) -> Any:
    """Look again and again, off the event loop, until there is something."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := await asyncio.to_thread(look):
            return found
        await asyncio.sleep(0.05)
    raise AssertionError("it did not come about in time")


async def test_the_office_as_a_whole(own_metrics, bench, letterbox, tmp_path) -> None:
    """Rooms and figures on its pages and in its JSON from the engine alone; a site falls silent, is mailed about, and
    the all-clear comes in the same thread. Time runs 200 times faster than real."""
    bench.minutes(60)
    clock = FastClock(bench.start_ms + 3_600_000, 200.0)
    bench.clock = clock
    core = bench.core(own_metrics.url)
    for _ in range(4):
        core.step()
    own_metrics.flush()
    mail = MailWiring(
        "127.0.0.1",
        "l@example.org",
        ("keeper@example.org",),
        port=letterbox.port,
        security="none",
        page_address="http://o/",
    )
    wiring = wired(own_metrics.url, tmp_path, mail=mail, page=PageWiring(port=0))
    office = Office(wiring, clock=clock, app_factory=create_app)
    ready = asyncio.Event()
    running = asyncio.create_task(office.run(lambda address: ready.set()))
    try:
        await asyncio.wait_for(ready.wait(), 20)
        page = office.address
        overview = await until(lambda: (t := get(page)) and "Lakeside house, yard = B: Oak store" in t and t)
        assert "20.3" in overview, "the newest temperature stands on the card"
        room = f"{bench.site_id}.oak-store"
        assert "Oak store" in await asyncio.to_thread(get, f"{page}rooms/{room}?span=6h")
        series = json.loads(await asyncio.to_thread(get, f"{page}api/v1/rooms/{room}/series?quantity=emc_percent"))
        assert sum(series["series"][0]["count"]) == 60
        health = json.loads(await asyncio.to_thread(get, f"{page}health"))
        assert health["sites"][bench.site_id]["name"] == bench.site.name
        await until(lambda: letterbox.taken)
        (opened,) = letterbox.taken
        assert opened["Subject"] == "Lakeside house, yard = B is offline"
        text = opened.get_body(("plain",)).get_content()  # type: ignore[union-attr]
        assert "Power and network at the site" in text
        assert "Nothing is heard from" in await asyncio.to_thread(get, page + "api/v1/rooms")
        await until(lambda: core.step() >= 0 and (own_metrics.flush() or len(letterbox.taken) == 2))
        closed = letterbox.taken[1]
        assert closed["Subject"] == "Lakeside house, yard = B reports again"
        assert closed["In-Reply-To"] == opened["Message-ID"]
        assert office.services is not None
        with pytest.raises(RefusedError, match="an office takes no readings"):
            await office.services.submit([], source="test")
    finally:
        office.stop()
        await asyncio.wait_for(running, 10)


async def test_an_office_whose_look_hangs_is_not_told_to_be_alive(tmp_path: Path) -> None:
    """An engine that takes the question and says nothing: after ten minutes there is no proof of life for systemd; once
    the look has come to an end, though an unhappy one, there is. Time runs 400 times faster than real."""
    clock = FastClock(1_800_000_000_000, 400.0)
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        engine = EngineAddress(f"http://127.0.0.1:{deaf.getsockname()[1]}", timeout_s=4.0)
        wiring = wired("", tmp_path, central=engine, page=PageWiring(port=0))
        office = Office(wiring, clock=clock, app_factory=create_app)
        ready = asyncio.Event()
        running = asyncio.create_task(office.run(lambda address: ready.set()))
        try:
            await asyncio.wait_for(ready.wait(), 20)
            assert office._is_alive()
            await until(lambda: not office._is_alive())
            await until(office._is_alive)
        finally:
            office.stop()
            await asyncio.wait_for(running, 10)


async def test_sites_silent_together_are_told_in_an_offices_words(own_metrics, bench, desk) -> None:
    """A storm takes four sites: the first has a mail of its own, the others one, which speaks of sites, not sensors."""
    cores = []
    for number in range(4):
        bench.site_id = f"site-{number}"
        cores.append(bench.core(own_metrics.url))
    assert await desk.minutes(25, *cores, flush=own_metrics.flush) == []
    assert len(await desk.minutes(25)) == 4
    now_ms = bench.clock.now_ms()
    with desk.store.transaction() as work:
        look_round(work, desk.watch._site, desk.watch._notifying.recipients, now_ms=now_ms)
    (notice,) = [one for one in desk.store.read.notices() if one.kind is NoticeKind.COLLECTED]
    mail = compose_site(notice, sender="l@example.org", beside=Beside(page_address="http://127.0.0.1:8430/"))
    body = mail.get_body(("plain",))
    assert body is not None
    said = " ".join(body.get_content().split())
    assert mail["Subject"].endswith(": offline as well, of the same cause")
    assert said.count("- Nothing has been heard from Lakeside house, yard = B since") == 3
    assert "Power and network at the site: its router" in said
    assert "sensor" not in said
    assert "measure the wood" not in said
    assert "http://127.0.0.1:8430/incidents" in said


def test_the_mail_about_the_engine_says_what_to_check(tmp_path: Path, own_metrics: Any) -> None:
    """The engine is watched like a site and told about in words of its own."""
    clock = DrivenClock()
    desk = Desk("http://127.0.0.1:9", tmp_path, clock)
    for _ in range(3):
        desk.watch.look()
        clock.step_wall(599_000)
    desk.watch.look()
    (notice,) = desk.store.read.notices()
    mail = compose_site(notice, sender="l@example.org")
    body = mail.get_body(("plain",))
    assert body is not None
    assert mail["Subject"] == "The central engine is offline"
    assert "The sites go on watching and mailing by themselves" in body.get_content()
    desk.store.close()


OFFICE = '[office]\nname = "Head office"\ntime_zone = "Europe/Berlin"\n'
CENTRAL = '[central]\naddress = "http://127.0.0.1:8428"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (CENTRAL, "[office]: this section is missing. Add it: [office] with name"),
        (OFFICE, "[central]: this section is missing. Add it: [central] with address"),
        (OFFICE + CENTRAL + '[[room]]\nid = "x"\n', "there is no such section. There are [office], [central]"),
        (OFFICE + CENTRAL + 'site = "x"\n', "there is no such key. There are: address"),
        (OFFICE + "offline_after_minutes = 1\n" + CENTRAL, "this is too small. Use 3 to 20160."),
        (OFFICE + CENTRAL + 'engine = "influxdb"\n', "InfluxDB needs a bucket"),
    ],
)
def test_mistakes_in_an_offices_file_are_told_with_their_mend(tmp_path: Path, text: str, said: str) -> None:
    """As in a site's settings file: which key, what is wrong, how to mend it."""
    file = tmp_path / "office.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_office(file, {})
    assert said in str(caught.value)


def test_a_file_of_the_other_kind_is_told_as_that(tmp_path: Path) -> None:
    """An office's file given to `check` or `run`, a site's given to `office`: one sentence that names the command."""
    office, site = tmp_path / "office.toml", tmp_path / "lumberroom.toml"
    office.write_text(OFFICE + CENTRAL)
    site.write_text('[site]\nname = "House"\ntime_zone = "Europe/Berlin"\n')
    with pytest.raises(SettingsError, match=r"this is an office's file, not a site's. Use: lumberroom office"):
        load(office)
    with pytest.raises(SettingsError, match=r"this is a site's file, not an office's. Use: lumberroom run"):
        load_office(site)


def test_an_offices_file_is_read_whole(tmp_path: Path) -> None:
    """Every key, with paths beside the file and the token from a file that nobody else may read."""
    token = tmp_path / "central.secret"
    token.write_text("reader:pass\n")
    token.chmod(0o600)
    file = tmp_path / "office.toml"
    file.write_text(
        OFFICE
        + 'offline_after_minutes = 30\nforget = ["old-barn"]\n'
        + CENTRAL
        + 'read_address = "http://127.0.0.1:8481/select/0/prometheus/"\ntoken_file = "central.secret"\n',
        encoding="utf-8",
    )
    wiring = load_office(file, {})
    assert (wiring.offline_after_s, wiring.forget) == (1800.0, {"old-barn"})
    assert wiring.central.for_reading == "http://127.0.0.1:8481/select/0/prometheus"
    assert wiring.central.basic
    assert wiring.data_directory == tmp_path / "lumberroom-office"
    assert "reader:pass" not in repr(wiring)
    assert wiring.secrets() == ("reader:pass",)
    assert any("nobody is told" in caution for caution in wiring.cautions)


def test_the_command_runs_an_office_and_stops_when_told(metrics: Any, tmp_path: Path) -> None:
    """`lumberroom office FILE` says its page, answers there, ends in order; --check says what it would do."""
    file = tmp_path / "office.toml"
    file.write_text(f'{OFFICE}[central]\naddress = "{metrics.url}"\n[page]\nport = 0\n', encoding="utf-8")
    command = [sys.executable, "-m", "ingest.cli.main", "office", str(file)]
    checked = subprocess.run([*command, "--check"], capture_output=True, text=True, check=True, timeout=30)
    assert f"Head office: reads {metrics.url} (victoriametrics)" in checked.stdout
    assert "20 minutes is offline; nobody is mailed" in checked.stdout
    log = tmp_path / "log"
    with log.open("wb") as out:
        running = subprocess.Popen([*command, "--log", "json"], stderr=out)
    try:
        end = time.monotonic() + 20
        while "Page: " not in log.read_text() and time.monotonic() < end:
            time.sleep(0.05)
        page = log.read_text().partition("Page: ")[2].partition("  (")[0]
        assert json.loads(get(page + "health"))["central"]["engine"] == metrics.url
        assert "Head office" in get(page)
        begun_s = time.monotonic()
        running.send_signal(signal.SIGTERM)
        assert running.wait(12) == 0
        assert time.monotonic() - begun_s < 8
        assert "Traceback" not in log.read_text()
    finally:
        running.kill()


async def test_a_restart_of_the_office_blames_nobody(own_metrics, bench, desk) -> None:
    """Started again within moments, it takes no site for silent that is not; one that is, is told in time."""
    core = bench.core(own_metrics.url)
    assert await desk.minutes(45, core, flush=own_metrics.flush) == []
    desk.store.close()
    await bench.clock.advance(20)
    desk.open()
    assert await desk.minutes(10, core, flush=own_metrics.flush) == []
    assert await desk.minutes(17) == []
    desk.store.close()
    desk.open()
    assert len(await desk.minutes(5)) == 1


async def test_a_short_time_to_silence_makes_no_site_two(own_metrics, bench, tmp_path) -> None:
    """With three minutes a silent site is told; that one site alone speaks is known later, and is no alarm before."""
    desk = Desk(own_metrics.url, tmp_path, bench.clock)
    desk.store.close()
    desk.open(offline_after_s=3 * MINUTE_S)
    site = bench.core(own_metrics.url)
    assert await desk.minutes(15, site, flush=own_metrics.flush) == []
    told = await desk.minutes(15)
    assert len(told) == 1
    assert told[0].startswith("Nothing has been heard from Lakeside house")
    desk.store.close()


async def test_two_sites_under_one_id_are_told(own_metrics, bench, desk, tmp_path) -> None:
    """A settings file copied to another computer: told after twenty minutes, on page and by mail, and when it is over;
    a computer that is replaced is none."""
    site = bench.core(own_metrics.url)
    assert await desk.minutes(8, site, flush=own_metrics.flush) == []
    with SqliteStore.open(tmp_path / "other.sqlite3") as store:
        own, bench.store = bench.store, store
        other = bench.core(own_metrics.url)
        bench.store = own
        told = await desk.minutes(30, site, other, flush=own_metrics.flush)
        assert len(told) == 1
        assert 'two sites have been speaking to the central engine under the id of "' + bench.site_id in told[0]
        assert desk.watch.twice() == told
        assert not desk.watch.is_silent(bench.site_id)
        desk.store.close()
        desk.open()
        assert await desk.minutes(10, site, other, flush=own_metrics.flush) == []
        told = await desk.minutes(30, other, flush=own_metrics.flush)
        assert len(told) == 1
        assert "one site speaks under the id of" in told[0]
        assert desk.watch.twice() == []
        # The second one took the first one's place: the same id, another store, one at a time.
        assert await desk.minutes(30, other, flush=own_metrics.flush) == []
    opened, closed = (
        compose_site(notice, sender="l@example.org") for notice in desk.store.read.notices(state=NoticeState.WAITING)
    )
    assert opened["Subject"] == f'"{bench.site_id}" is two sites at once'
    assert "Was a settings file copied" in opened.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    assert closed["Subject"] == f'"{bench.site_id}" is one site again'
