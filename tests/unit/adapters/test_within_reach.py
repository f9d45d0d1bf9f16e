"""Looking within reach and assigning, in the real daemon and over real transports: a pty, the look-alike of BlueZ on a
real D-Bus daemon, a real broker. (It lies here because the devices do.)"""

from __future__ import annotations

import asyncio
import contextlib
import tomllib
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dashboards.services import Assignment, Reach, Sighting
from ingest.clock import SystemClock
from ingest.errors import InputError, RefusedError
from ingest.runtime import reach
from ingest.runtime.assigning import CannotWriteError, adapter_name, append_entry, check_each, wanted_sensor
from ingest.runtime.daemon import Daemon
from ingest.runtime.reach import Looking, Surroundings
from ingest.runtime.unassigned import Unassigned
from ingest.settings import reading
from ingest.settings.wiring import AdapterWiring
from ingest.site.places import Place, Room, Sensor, Site
from ingest.site.series import SeriesKey
from ingest.store.sqlite_store import SqliteStore

LOFT, CELLAR, WIRED = "A4:C1:38:00:00:01", "A4:C1:38:00:00:02", "A4:C1:38:00:00:09"
WIRING = f"""# the wiring of a test \t
[site]
name = "Lakeside"
time_zone = "Europe/Berlin"

[[adapter]]
name = "radio"   # keep this comment
type = "bluetooth_broadcasts"
sensors = {{ "{WIRED}" = "hall-1" }}

[[room]]
id = "hall"
title = "Hall"
[[room.sensor]]
id = "hall-1"
[[room]]
id = "loft"
title = "Loft"
"""


def steady(temperature: str = "c409", humidity: str = "bf13") -> bytes:
    """Give a BTHome broadcast: temperature and humidity (the format's own example values)."""
    return bytes.fromhex(f"4002{temperature}03{humidity}")


class Running:
    """A daemon in this process, on a settings file of its own."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.daemon = Daemon(reading.load(file), clock=SystemClock())
        self.task = asyncio.create_task(self.daemon.run())

    @property
    def services(self) -> Any:
        """Its services, while it runs."""
        assert self.daemon.services is not None
        return self.daemon.services

    async def sighting(
        self, fits: Callable[[Sighting], bool], meanwhile: Callable[[], None] = lambda: None
    ) -> Sighting:
        """Look until something fits; meanwhile it is heard again and again."""
        async with asyncio.timeout(15):
            while True:
                meanwhile()
                found: Reach = await self.services.within_reach()
                for one in found.sightings:
                    if fits(one):
                        return one
                await asyncio.sleep(0.05)

    async def stop(self) -> None:
        """Stop it in order."""
        self.daemon.stop()
        await asyncio.wait_for(self.task, 12)


@pytest.fixture
async def running(tmp_path: Path, bluez: Any, until: Any) -> AsyncIterator[Running]:
    """A daemon that listens to the radio of the look-alike."""
    file = tmp_path / "lumberroom.toml"
    file.write_text(WIRING)
    made = Running(file)
    await until(lambda: made.daemon.services is not None and bluez.sessions)
    yield made
    await made.stop()


async def test_a_sensor_on_the_air_is_assigned_and_its_readings_are_stored(
    running: Running, bluez: Any, until: Any
) -> None:
    """Seen beside the adapter's own sensor by the one scanner, marked when one breathes on it; assigned it stands in
    the settings file behind what was there, in the job with who did it, and its readings are stored, without a
    restart."""
    seen = await running.sighting(lambda one: one.address == LOFT, lambda: bluez.advertise(LOFT, steady(), rssi=-60))
    assert (seen.way, seen.names_itself, seen.room, seen.read_by) == ("bluetooth", False, "", "")
    assert not seen.moving
    assert bluez.calls.count("StartDiscovery") == 1
    bluez.advertise(LOFT, steady(humidity="b71a"), rssi=-60)
    moved = await running.sighting(lambda one: one.address == LOFT and one.moving)
    assert moved.moved["rh_percent"] == pytest.approx(17.84, abs=0.01)
    own = await running.sighting(lambda one: one.address == WIRED, lambda: bluez.advertise(WIRED, steady(), rssi=-70))
    assert (own.sensor, own.room, own.read_by, own.wiring) == ("hall-1", "hall", "radio", "")

    assigned = await running.services.assign(
        Assignment(seen.id, "loft", "Kay of the tests", title="On the beam", sensor="loft-2")
    )
    assert assigned.to_copy == ""
    text = running.file.read_text()
    assert text.startswith(WIRING)
    assert "# added from the page by Kay of the tests, 20" in text
    entry = tomllib.loads(text)["adapter"][1]
    assert entry == {"name": "loft-2", "type": "bluetooth_broadcasts", "sensors": {LOFT: "loft-2"}}
    assert reading.load(running.file).adapters[1].name == "loft-2"
    assert running.services.site().sensor("loft-2") == Sensor("loft-2", "loft", Place.AIR, "On the beam")

    await until(lambda: any(a.name == "loft-2" and a.state == "running" for a in running.services.adapters()))
    radio = next(a for a in running.services.adapters() if a.name == "radio")
    assert (radio.restarts, radio.state) == (0, "running")
    bluez.advertise(LOFT, steady(humidity="c817"), rssi=-60)
    key = SeriesKey("loft-2", "rh_percent")
    await until(lambda: running.services.read.latest([key]))
    housed = await running.sighting(
        lambda one: one.sensor == "loft-2", lambda: bluez.advertise(LOFT, steady(humidity="c917"), rssi=-60)
    )
    assert (housed.room, housed.read_by) == ("loft", "loft-2")
    with pytest.raises(RefusedError, match="belongs to a room already"):
        await running.services.assign(Assignment(housed.id, "hall", "Kay"))
    with SqliteStore.open(running.daemon.wiring.data_directory / "lumberroom.sqlite3", read_only=True) as store:
        assert store.read.history("site")[-1].by == "page Kay of the tests"


async def test_a_sender_that_an_adapter_hears_is_assigned_without_touching_the_wiring(
    running: Running, until: Any
) -> None:
    """A sensor that belongs to no room but is heard already only needs its room: the file stays as it is."""
    senml = [_reading("loft-9", 47.0)]
    assert (await running.services.submit(senml, source="http")).appended.stored == 0
    seen = await running.sighting(lambda one: one.sensor == "loft-9")
    assert (seen.way, seen.address, seen.read_by, seen.figures) == ("adapter", "http", "http", {"rh_percent": 47.0})
    await running.services.submit([_reading("loft-9", 63.0)], source="http")
    assert (await running.sighting(lambda one: one.sensor == "loft-9")).moving
    assigned = await running.services.assign(Assignment(seen.id, "loft", "Kay", place="wood"))
    assert assigned.to_copy == ""
    assert running.file.read_text() == WIRING
    assert (await running.services.submit([_reading("loft-9", 48.0)], source="http")).appended.stored == 1
    assert running.services.site().sensor("loft-9").place is Place.WOOD
    assert all(one.sensor != "loft-9" for one in (await running.services.within_reach()).sightings)


def _reading(sensor: str, rh_percent: float) -> Any:
    from adapters.contract import Reading, Stamp

    return Reading(sensor, "rh_percent", rh_percent, SystemClock().now_ms(), Stamp.ARRIVAL)


async def test_nothing_is_listened_to_until_somebody_looks_and_it_ends_by_itself(bluez: Any, until: Any) -> None:
    """No page, no scan; the lease over, the radio is let go; open for too long, it says so and asks again."""
    looking = Looking(_around(), lease_s=0.4, longest_s=0.9)
    assert not looking.is_looking
    assert bluez.sessions == set()
    await looking.renew()
    await until(lambda: bluez.sessions)
    await until(lambda: not looking.is_looking)
    assert bluez.sessions == set()
    assert not looking.tired
    for _ in range(20):
        await looking.renew()
        await asyncio.sleep(0.1)
    assert looking.tired
    assert not looking.is_looking
    assert bluez.sessions == set()
    assert looking.report().tired
    await looking.renew(again=True)
    assert looking.is_looking
    await looking.pause()
    assert bluez.sessions == set()


def _around(**changes: Any) -> Surroundings:
    site = Site("Lakeside", rooms=(Room("loft", "Loft"),))
    usual: dict[str, Any] = {"adapters": list, "entries": dict, "unassigned": Unassigned(), "ports": list}
    return Surroundings(site=lambda: site, clock=SystemClock(), **(usual | changes))


async def test_two_who_look_share_one_looking(bluez: Any, until: Any) -> None:
    """However many pages ask, and all at once, the radio is asked to scan once."""
    looking = Looking(_around())
    await asyncio.gather(*(looking.renew() for _ in range(5)))
    await until(lambda: bluez.sessions)
    await looking.renew()
    assert bluez.calls.count("StartDiscovery") == 1
    await looking.pause()


async def test_a_serial_port_is_found_when_plugged_in_and_let_go_for_the_adapter(
    device: Any, until: Any, bus: str
) -> None:
    """Plugged in while somebody looks it appears; a port that an adapter is wired to is never opened; on assigning the
    port is free for the adapter at once."""
    ports: list[str] = []
    looking = Looking(_around(ports=lambda: list(ports)))
    await looking.renew()
    await device.plug()
    ports.append(str(device.path))
    await device.opened()
    await device.send(b'[{"n":"humidity","u":"%RH","v":47}]\n')
    await until(lambda: looking.report().sightings)
    (seen,) = looking.report().sightings
    assert (seen.way, seen.names_itself, seen.figures) == ("serial", False, {"rh_percent": 47.0})
    assert tomllib.loads(seen.wiring)["adapter"][0]["sensor"] == "NAME IT"
    await looking.pause(looking.found(seen.id))
    assert looking.report().sightings == ()
    wired = AdapterWiring("hall", "serial_line", {"port": str(device.path)})
    second = Looking(_around(ports=lambda: list(ports), adapters=lambda: [wired]))
    await second.renew()
    await asyncio.sleep(0.6)
    assert not any(str(device.path) in said for said in second.report().troubles)
    assert second.report().sightings == ()
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(device.opened(), 0.3)
        raise AssertionError("a port of an adapter was opened")
    await second.pause()


async def test_a_port_that_another_program_has_open_is_left_to_it(device: Any, until: Any, bus: str) -> None:
    """A program that asks for no lock keeps what comes on its port too."""
    await device.plug()
    with device.path.open("rb", buffering=0) as port:
        other = await asyncio.create_subprocess_exec("sleep", "30", stdin=port)
    looking = Looking(_around(ports=lambda: [str(device.path)]))
    await looking.renew()
    await until(lambda: any("sleep (process" in said for said in looking.report().troubles))
    assert looking.report().sightings == ()
    await looking.pause()
    other.kill()
    await other.wait()


async def test_a_broker_that_an_adapter_uses_is_looked_at_with_its_login(
    mosquitto: Any, until: Any, bus: str, tmp_path: Path
) -> None:
    """What else it carries is seen by a client of our own, and what is proposed names the password's place and not the
    password; a plain number asks what it is, but not one that a rule of the adapter reads."""
    raw = {**mosquitto.settings, "name": "broker", "type": "mqtt_topics", "topics": ["none/#"],
           "numbers": {"house/{sensor}/f": "temperature_f"}}  # fmt: skip
    password = raw.pop("password")
    raw |= {"password_file": "mqtt.secret", "broker": "127.0.0.1", "port": mosquitto.port}
    from adapters.registry import check_settings, load

    given = {k: v for k, v in raw.items() if k not in {"name", "type", "password_file"}}
    checked = check_settings(load("mqtt_topics"), {**given, "password": password})
    adapter = AdapterWiring("broker", "mqtt_topics", checked, (password,))
    looking = Looking(_around(adapters=lambda: [adapter], entries=lambda: {"broker": raw}))
    await looking.renew()
    async with mosquitto.publisher() as publisher:
        async with asyncio.timeout(15):
            while len(looking.report().sightings) < 3:
                await publisher.publish("house/t", b"21.5")
                await publisher.publish("house/attic/f", b"68")
                await publisher.publish("house/pack", b'[{"n":"loft/humidity","u":"%RH","v":47}]')
                await asyncio.sleep(0.1)
    by_address = {one.address: one for one in looking.report().sightings}
    assert by_address["house/t"].asks_quantity
    assert not by_address["house/pack"].asks_quantity
    assert by_address["house/pack"].sensor == "loft"
    (entry,) = tomllib.loads(by_address["house/pack"].wiring)["adapter"]
    assert (entry["password_file"], entry["topics"]) == ("mqtt.secret", ["house/pack"])
    assert password not in by_address["house/pack"].wiring
    attic = by_address["house/attic/f"]  # the adapter's own rule reads it
    assert (attic.sensor, attic.names_itself, attic.asks_quantity) == ("attic", True, False)
    assert attic.figures["temperature_c"] == pytest.approx(20)
    await looking.pause()


async def test_what_cannot_be_looked_at_is_said(tmp_path: Path, until: Any, bus: str) -> None:
    """No Bluetooth service is a trouble in a sentence; no broker on this computer is none."""
    looking = Looking(_around())
    await looking.renew()
    await until(lambda: looking.report().troubles)
    assert all("Bluetooth" in said for said in looking.report().troubles)
    await looking.pause()


def file_with(tmp_path: Path, text: str = WIRING) -> Path:
    """Give a settings file."""
    file = tmp_path / "lumberroom.toml"
    file.write_bytes(text.encode())
    return file


LINES = '[[adapter]]\nname = "new"\ntype = "serial_line"\nport = "/dev/ttyX"'


@pytest.mark.parametrize("before", [WIRING, WIRING.rstrip("\n"), WIRING.replace("\n", "\r\n"), "\ufeff" + WIRING])
def test_lines_are_added_behind_a_text_that_stays_as_it_is(tmp_path: Path, before: str) -> None:
    """Byte for byte, whatever line ends and marks it has; mode and link stay."""
    file = file_with(tmp_path, before)
    file.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(file)
    wired = append_entry(link, LINES, "# by tests")
    assert (wired.name, wired.kind, wired.settings["port"]) == ("new", "serial_line", "/dev/ttyX")
    assert file.read_bytes().startswith(before.encode())
    assert file.read_text(encoding="utf-8-sig").endswith(f"\n# by tests\n{LINES}\n")
    assert file.stat().st_mode & 0o777 == 0o640
    assert link.is_symlink()
    assert sorted(one.name for one in tmp_path.iterdir() if one.suffix == ".toml") == ["link.toml", "lumberroom.toml"]


@pytest.mark.parametrize(
    ("before", "lines", "says"),
    [
        (WIRING, LINES.replace("port", "prt"), "would not be sound"),
        (WIRING, LINES.replace("new", "radio"), "another adapter has this name"),
        (WIRING, "[[adapter", "would not be sound"),
        (WIRING.replace("[site]", "[seit]"), LINES, "would not be sound"),
        ('adapter = []\n[site]\nname = "x"\ntime_zone = "UTC"\n', LINES, "would not be sound"),
    ],
)
def test_a_file_that_would_not_be_sound_is_left_as_it_was(tmp_path: Path, before: str, lines: str, says: str) -> None:
    """The whole file is checked as it would be; nothing is written, and nothing is left lying about."""
    file = file_with(tmp_path, before)
    with pytest.raises(CannotWriteError, match=says):
        append_entry(file, lines, "# by tests")
    assert file.read_text() == before
    assert [one.name for one in tmp_path.iterdir()] == ["lumberroom.toml"]


def test_a_file_that_may_not_be_written_is_said(tmp_path: Path) -> None:
    """No file, and one that is gone: a sentence that says what to do by hand."""
    with pytest.raises(CannotWriteError, match="no settings file"):
        append_entry(None, LINES, "# x")
    with pytest.raises(CannotWriteError, match="No such file"):
        append_entry(tmp_path / "none.toml", LINES, "# x")


SITE = Site("x", rooms=(Room("loft", "Loft"),), sensors=(Sensor("loft-1", "loft"),))
SIGHTING = Sighting("id", "bluetooth", LOFT, "ATC", names_itself=False)
WANTED = Assignment("id", "loft", "Kay", sensor="loft-2")


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"sensor": "loft 2"}, "sensor"),
        ({"sensor": ""}, "sensor"),
        ({"sensor": "loft-1"}, "sensor"),
        ({"room": "attic"}, "room"),
        ({"place": "roof"}, "place"),
        ({"title": "x" * 121}, "title"),
        ({"title": "a\nb"}, "title"),
        ({"by": "  "}, "by"),
        ({"by": "Kay\n[[adapter]]"}, "by"),
    ],
)
def test_what_was_filled_in_wrongly_is_told_by_its_field(changes: dict[str, str], where: str) -> None:
    """Each mistake says in which field it stands, and how to mend it."""
    with pytest.raises(InputError) as refused:
        wanted_sensor(replace(WANTED, **changes), SIGHTING, SITE)
    assert refused.value.where == where
    assert refused.value.mend


@pytest.mark.parametrize(
    ("each", "says"),
    [
        ({}, "nobody can tell"),
        ({"/t": "", "/h": ""}, "nobody can tell"),
        ({"/t": "mood"}, "nothing that a number can be"),
        ({"/t": "temperature_c", "/x": "rh_percent"}, "nothing that a number can be"),
        ({"/t": "temperature_c", "/h": "temperature_f"}, "two numbers are said to be the same"),
    ],
)
def test_what_is_said_of_a_documents_numbers_is_checked(each: dict[str, str], says: str) -> None:
    """One at least, each a quantity that we know, none twice: else two numbers would be filed as one."""
    seen = replace(SIGHTING, asks_each=("/t", "/h"))
    with pytest.raises(InputError, match=says) as refused:
        check_each(each, seen)
    assert refused.value.where == "each"
    check_each({"/t": "temperature_f", "/h": ""}, seen)


def test_a_sensor_with_a_name_of_its_own_keeps_it() -> None:
    """What a form says of its name then does not count."""
    seen = replace(SIGHTING, sensor="stack.7", names_itself=True)
    assert wanted_sensor(WANTED, seen, SITE).id == "stack.7"


@pytest.mark.parametrize(
    ("sensor", "taken", "name"),
    [
        ("Loft:2", set(), "loft-2"),
        ("loft-2", {"loft-2", "loft-2-2"}, "loft-2-3"),
        ("...", set(), "sensor"),
        ("x" * 80, {"x" * 34}, "x" * 34 + "-2"),
    ],
)
def test_adapters_get_names_that_nobody_has(sensor: str, taken: set[str], name: str) -> None:
    """Such as the settings file allows."""
    assert adapter_name(sensor, taken) == name


def test_ids_stay_while_a_thing_is_there() -> None:
    """Way, address and name make it; another name is another thing."""
    assert reach.id_of("mqtt", "a", "b") == reach.id_of("mqtt", "a", "b") != reach.id_of("mqtt", "a", "c")
