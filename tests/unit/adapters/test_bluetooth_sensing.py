"""The Environmental Sensing adapter over bleak's own Linux code, a real D-Bus daemon and a look-alike of BlueZ."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters import bluetooth_sensing
from adapters.bluetooth_sensing import BluetoothSensing
from adapters.conformance import CHECKS, Check, Specimen
from adapters.contract import QUANTITIES, LostDeviceError, SettingsError, TransientError, Why
from adapters.framing.sensing import (
    BATTERY_SERVICE,
    CHARACTERISTICS,
    SENSING_SERVICE,
    decode_characteristic,
    short_uuid,
)
from adapters.registry import check_settings
from ingest.clock import SystemClock

LOFT, CELLAR = "A4:C1:38:00:00:01", "A4:C1:38:00:00:02"
TEMPERATURE, HUMIDITY, PRESSURE, BATTERY = CHARACTERISTICS
BOTH = ["read", "notify"]


def gatt(temperature: str = "6308", humidity: str = "a811") -> list[tuple[str, str, list[str], bytes]]:
    """Give a sensor's services: 21.47 °C and 45.20 % unless told otherwise, and its battery."""
    return [
        (SENSING_SERVICE, TEMPERATURE, BOTH, bytes.fromhex(temperature)),
        (SENSING_SERVICE, HUMIDITY, BOTH, bytes.fromhex(humidity)),
        (BATTERY_SERVICE, BATTERY, ["read"], b"\x5f"),
    ]


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shorten the waits, which are for radios, not for tests."""
    monkeypatch.setattr(bluetooth_sensing, "FIRST_WAIT_S", 0.02)
    monkeypatch.setattr(bluetooth_sensing, "LONGEST_WAIT_S", 0.1)
    monkeypatch.setattr(bluetooth_sensing, "UNHEARD_S", 0.5)
    monkeypatch.setattr(bluetooth_sensing, "CALL_LIMIT_S", 0.5)
    monkeypatch.setattr(bluetooth_sensing, "CONNECT_LIMIT_S", 1.0)


@pytest.fixture
def advertising(bluez: Any) -> Any:
    """Let sensors advertise ten times a second, as real ones do while nobody is connected."""
    task: list[asyncio.Task[None]] = []

    async def go_on(addresses: tuple[str, ...]) -> None:
        number = 0
        while True:
            number += 1
            for address in addresses:
                path = f"/org/bluez/hci0/dev_{address.replace(':', '_')}"
                known = bluez.objects.get(path, {}).get("org.bluez.Device1", {})
                if not known.get("Connected"):
                    bluez.advertise(address, None, rssi=-60 - number % 5)
            await asyncio.sleep(0.1)

    def start(*addresses: str) -> None:
        task.append(asyncio.get_running_loop().create_task(go_on(addresses)))

    yield start
    for one in task:
        one.cancel()


def adapter(**settings: Any) -> BluetoothSensing:
    """Make the adapter as the daemon does."""
    chosen = {"sensors": {LOFT: "loft"}, "interval_s": 0.1} | settings
    return BluetoothSensing(check_settings(BluetoothSensing, chosen), SystemClock())


async def test_a_sensor_is_connected_to_and_read(bluez: Any, listen: Any, advertising: Any) -> None:
    """Temperature, humidity, battery and signal strength, again and again over one connection, which we end."""
    bluez.gatt[LOFT] = gatt()
    heard = listen(adapter(notify=False))
    advertising(LOFT)
    await heard.count(10)
    await heard.stop()
    first = {(r.sensor, r.quantity): r.value for r in heard.readings[:4]}
    signal = first.pop(("loft", "signal_dbm"))
    assert first == {("loft", "temperature_c"): 21.47, ("loft", "rh_percent"): 45.2, ("loft", "battery_percent"): 95.0}
    assert -65 <= signal <= -60
    assert bluez.calls.count("Connect") == 1
    assert bluez.calls.count("Disconnect") == 1


async def test_what_a_sensor_tells_by_itself_is_taken(bluez: Any, listen: Any, advertising: Any, until: Any) -> None:
    """Between two readings an hour apart, a notification brings the change."""
    bluez.gatt[LOFT] = gatt()
    heard = listen(adapter(interval_s=3600.0))
    advertising(LOFT)
    await heard.count(4)
    assert bluez.calls.count("StartNotify") == 2
    bluez.notify(LOFT, HUMIDITY, bytes.fromhex("1027"))
    await heard.count(5)
    await heard.stop()
    assert heard.readings[-1][:3] == ("loft", "rh_percent", 100.0)


async def test_several_probes_of_one_kind_are_told_apart(bluez: Any, listen: Any, advertising: Any) -> None:
    """One UUID twice in the service, which is allowed: the second is the sensor's second probe."""
    bluez.gatt[LOFT] = [*gatt(), (SENSING_SERVICE, TEMPERATURE, BOTH, bytes.fromhex("b004"))]
    heard = listen(adapter())
    advertising(LOFT)
    await heard.count(5)
    await heard.stop()
    found = {(r.sensor, r.quantity): r.value for r in heard.readings}
    assert found["loft", "temperature_c"] == 21.47
    assert found["loft.2", "temperature_c"] == 12.0


DESCRIPTION, VALID, MEASUREMENT, TRIGGER = (short_uuid(number) for number in (0x2901, 0x2906, 0x290C, 0x290D))


def descriptors(
    name: str = "air", sampling: int = 1, renewed_s: int = 0, application: int = 0x14
) -> list[tuple[str, bytes]]:
    """Give a characteristic's descriptors: -20 to 60 °C, good to 2 %, told on a change."""
    about = bytes([0, 0, sampling, 60, 0, 0, *renewed_s.to_bytes(3, "little"), application, 4])
    return [
        (DESCRIPTION, name.encode()), (MEASUREMENT, about), (VALID, bytes.fromhex("30f87017")), (TRIGGER, b"\x03"),
    ]  # fmt: skip


async def test_what_a_sensor_says_of_itself_is_kept_and_used(bluez: Any, listen: Any, advertising: Any) -> None:
    """Accuracy, pace, range and trigger become a line by sensor and quantity; a value beyond its own range is none."""
    bluez.gatt[LOFT] = gatt()
    bluez.descriptors[LOFT, 0] = descriptors()
    watched = adapter(notify=False)
    heard = listen(watched)
    advertising(LOFT)
    await heard.count(4)
    assert watched.health.stated == {
        ("loft", "temperature_c"): "“air”, instantaneous, meant for: indoor, by its own word good to ±2 % of the value "
        "(accuracy_temperature_c = 0.4 at 20 °C), can tell -20 to 60 °C, tells by itself when the value changes"
    }
    bluez.gatt[LOFT] = gatt("7117")  # 60.01 °C
    async with asyncio.timeout(5):
        while not watched.health.rejected.get(Why.OUT_OF_RANGE):
            await asyncio.sleep(0.02)
    await heard.stop()
    assert max(r.value for r in heard.readings if r.quantity == "temperature_c") == 21.47


async def test_a_value_is_not_read_before_the_sensor_makes_a_new_one(
    bluez: Any, listen: Any, advertising: Any, until: Any
) -> None:
    """Renewed every hour, it is asked for once in ten rounds; the humidity, of which nothing is said, in every one."""
    bluez.gatt[LOFT] = gatt()
    bluez.descriptors[LOFT, 0] = descriptors(renewed_s=3600)
    heard = listen(adapter(notify=False))
    advertising(LOFT)
    await until(lambda: sum(r.quantity == "rh_percent" for r in heard.readings) >= 10, 10.0)
    await heard.stop()
    assert sum(r.quantity == "temperature_c" for r in heard.readings) == 1


async def test_an_extreme_is_not_filed_as_the_airs_value(bluez: Any, listen: Any, advertising: Any) -> None:
    """A characteristic that holds the maximum of a minute is said to be there, and not taken."""
    bluez.gatt[LOFT] = gatt()
    bluez.descriptors[LOFT, 0] = descriptors(sampling=4)
    watched = adapter(notify=False)
    heard = listen(watched)
    advertising(LOFT)
    await heard.count(6)
    await heard.stop()
    assert {r.quantity for r in heard.readings} == {"rh_percent", "battery_percent", "signal_dbm"}
    assert "maximum of 60 s, not taken" in watched.health.stated["loft", "temperature_c"]


async def test_probes_are_named_by_what_they_say_of_themselves(bluez: Any, listen: Any, advertising: Any) -> None:
    """By description, by purpose, left out; two that say the same stay two; one that says nothing has its number."""
    extra = [(SENSING_SERVICE, TEMPERATURE, BOTH, bytes([number, 8])) for number in range(4)]
    bluez.gatt[LOFT] = [*gatt(), *extra]
    bluez.descriptors[LOFT, 0] = descriptors("Sensor 1")
    bluez.descriptors[LOFT, 3] = descriptors("Sensor 2", application=0x1C)
    bluez.descriptors[LOFT, 4] = descriptors("test point")
    bluez.descriptors[LOFT, 5] = descriptors("Sensor 3", application=0x1C)
    probes = {"loft": {"Sensor 1": "loft-lead", "outside": "roof", "test point": ""}}
    watched = adapter(notify=False, probes=probes)
    heard = listen(watched)
    advertising(LOFT)
    await heard.count(7)
    await heard.stop()
    found = {r.sensor: r.value for r in heard.readings if r.quantity == "temperature_c"}
    assert found == {"loft-lead": 21.47, "roof": 20.48, "roof.4": 20.5, "loft.5": 20.51}
    assert {sensor for sensor, _ in watched.health.stated} == {"loft-lead", "roof", "roof.4"}


async def test_a_descriptor_that_cannot_be_read_spoils_nothing_and_names_nothing(
    bluez: Any, listen: Any, advertising: Any
) -> None:
    """Refused for want of pairing, it leaves the values; but where names go by it, nothing is filed under a guess."""
    bluez.gatt[LOFT], bluez.gatt[CELLAR] = gatt(), gatt("b004")
    bluez.descriptors[LOFT, 0] = bluez.descriptors[CELLAR, 0] = descriptors()
    bluez.refusing["ReadValue", DESCRIPTION] = 0x05
    heard = listen(
        adapter(sensors={LOFT: "loft", CELLAR: "cellar"}, notify=False, probes={"cellar": {"air": "cellar-air"}})
    )
    advertising(LOFT, CELLAR)
    async with asyncio.timeout(10):
        while {r.sensor for r in heard.readings} != {"loft", "cellar"}:
            await asyncio.sleep(0.02)
    await heard.stop()
    told = {(r.sensor, r.quantity) for r in heard.readings}
    assert ("loft", "temperature_c") in told
    assert ("cellar", "rh_percent") in told
    assert ("cellar", "temperature_c") not in told


async def test_a_sensor_is_set_to_tell_its_values_only_when_that_is_asked_for(
    bluez: Any, listen: Any, advertising: Any
) -> None:
    """Without the setting nothing is ever written; with it the trigger is, once, and not again while it says so."""
    bluez.gatt[LOFT] = gatt()
    bluez.descriptors[LOFT, 0] = descriptors()
    heard = listen(adapter())
    advertising(LOFT)
    await heard.count(4)
    await heard.stop()
    assert bluez.written == []
    for _ in range(2):
        watched = adapter(notify_every_s=300)
        heard = listen(watched)
        await heard.count(4)
        await heard.stop()
    assert bluez.written == [(TRIGGER, bytes.fromhex("012c0100"))]
    assert watched.health.stated["loft", "temperature_c"].endswith("tells by itself every 300 s")


async def test_a_sensor_that_does_not_let_itself_be_set_is_read_all_the_same(
    bluez: Any, listen: Any, advertising: Any
) -> None:
    """Error 81, "condition not supported": said, and the values come by asking."""
    bluez.gatt[LOFT] = gatt()
    bluez.descriptors[LOFT, 0] = descriptors()
    bluez.refusing["WriteValue", TRIGGER] = 0x81
    watched = adapter(notify_every_s=300)
    heard = listen(watched)
    advertising(LOFT)
    await heard.count(8)
    await heard.stop()
    assert "does not let itself be set to tell every 300 s" in watched.health.stated["loft", "temperature_c"]
    assert "error 0x81; the sensor does not know this condition" in watched.health.stated["loft", "temperature_c"]


@pytest.mark.parametrize(
    ("probes", "message"),
    [
        ({"attic": {"a": "b"}}, "'attic' is not one of the sensors"),
        ({"loft": "roof"}, "'loft' is not one of the sensors, or has no table of its probes"),
        ({"loft": {"a": "the roof"}}, "'the roof' cannot be a sensor's name"),
    ],
)
def test_names_of_probes_are_checked(probes: dict[str, Any], message: str) -> None:
    """A name that is none, or of a sensor that is not listed, is refused before anything is opened."""
    with pytest.raises(SettingsError, match=message):
        adapter(probes=probes)


async def test_a_link_lost_again_and_again_leaks_nothing(bluez: Any, listen: Any, advertising: Any, until: Any) -> None:
    """Thirty times the sensor ends the connection: it comes back by itself, and no file stays open."""
    bluez.gatt[LOFT] = gatt()
    watched = adapter()
    heard = listen(watched)
    advertising(LOFT)
    files = []
    for number in range(30):
        before = len(heard.readings)
        await heard.count(before + 3)
        bluez.lose(LOFT)
        await until(lambda n=number: bluez.calls.count("Connect") > n + 1, 10.0)
        files.append(sum(1 for _ in Path("/proc/self/fd").iterdir()))
    await heard.stop()
    assert max(files[5:]) <= max(files[:5]) + 1
    assert watched.health.rejected[Why.NO_ANSWER] >= 30
    assert watched.health.last_rejection is not None
    assert watched.health.last_rejection.sensor == "loft"


async def test_a_connection_that_stands_but_answers_nothing_is_ended(
    bluez: Any, listen: Any, advertising: Any, until: Any
) -> None:
    """A read that is never answered is cut off, and after a new connection values come again."""
    bluez.gatt[LOFT] = gatt()
    heard = listen(adapter(notify=False))
    advertising(LOFT)
    await heard.count(4)
    bluez.unanswered = {"ReadValue"}
    await until(lambda: bluez.calls.count("Disconnect") >= 1)
    bluez.unanswered = set()
    before = len(heard.readings)
    await heard.count(before + 6)
    await heard.stop()
    assert bluez.calls.count("Connect") >= 2


async def test_a_sensor_that_cannot_be_reached_fails_no_other(bluez: Any, listen: Any, advertising: Any) -> None:
    """The cellar does not take connections; the loft is read all the same, and the cellar when it mends itself."""
    bluez.gatt[LOFT], bluez.gatt[CELLAR] = gatt(), gatt("b004")
    bluez.failing["Connect"] = 4
    watched = adapter(sensors={LOFT: "loft", CELLAR: "cellar"})
    heard = listen(watched)
    advertising(LOFT, CELLAR)
    async with asyncio.timeout(10):
        while {r.sensor for r in heard.readings} != {"loft", "cellar"}:
            await asyncio.sleep(0.02)
    await heard.stop()
    assert watched.health.rejected[Why.NO_ANSWER] >= 4


async def test_a_sensor_still_connected_from_a_run_that_was_killed_is_found(
    bluez: Any, listen: Any, advertising: Any
) -> None:
    """Connected, it never advertises; after a while it is tried all the same."""
    bluez.gatt[LOFT] = gatt()
    bluez.sessions.add(("/org/bluez/hci0", "somebody"))
    bluez.advertise(LOFT, None)
    path = f"/org/bluez/hci0/dev_{LOFT.replace(':', '_')}"
    bluez.objects[path]["org.bluez.Device1"] |= {"Connected": True}
    bluez.objects[path]["org.bluez.Device1"].pop("RSSI")
    bluez._resolve(path)
    heard = listen(adapter())
    await heard.count(3)
    await heard.stop()
    assert "Connect" not in bluez.calls


async def test_what_is_not_known_or_cannot_be_is_no_reading(bluez: Any, listen: Any, advertising: Any) -> None:
    """8000 means "not known" and is a gap; 100.01 % is prohibited and counted."""
    bluez.gatt[LOFT] = gatt("0080", "1127")
    watched = adapter(notify=False)
    heard = listen(watched)
    advertising(LOFT)
    await heard.count(4)
    await heard.stop()
    assert {r.quantity for r in heard.readings} == {"battery_percent", "signal_dbm"}
    assert watched.health.rejected[Why.OUT_OF_RANGE] >= 1


async def test_a_radio_that_went_deaf_is_noticed(bluez: Any, listen: Any) -> None:
    """Nothing heard and nothing read for a while: the radio is started anew."""
    with pytest.raises(TransientError, match=r"not one sign of any device for 1 s"):
        await listen(adapter(deaf_after_s=1.0)).task


async def test_stopping_is_quick_while_the_service_hangs(bluez: Any, listen: Any, advertising: Any, until: Any) -> None:
    """A call that is never answered does not hold up the stop."""
    bluez.gatt[LOFT] = gatt()
    bluez.unanswered = {"Connect", "Disconnect"}
    heard = listen(adapter())
    advertising(LOFT)
    await until(lambda: "Connect" in bluez.calls)
    began_s = time.monotonic()
    await heard.stop()
    assert time.monotonic() - began_s < 2


async def test_without_a_radio_it_says_so(bus: str, listen: Any) -> None:
    """As for broadcasts: no service is a sentence that says what to do."""
    with pytest.raises(LostDeviceError, match="Bluetooth service does not answer"):
        await listen(adapter()).task


@pytest.mark.parametrize(
    ("uuid", "data", "value"),
    [
        # Worked out by hand from the formats of the GATT Specification Supplement.
        (TEMPERATURE, "6308", 21.47),
        (TEMPERATURE, "0000", 0.0),
        (TEMPERATURE, "ffff", -0.01),
        (TEMPERATURE, "0080", None),
        (TEMPERATURE, "4c95", Why.OUT_OF_RANGE),
        (TEMPERATURE, "63", Why.UNDECODABLE),
        (HUMIDITY, "a811", 45.2),
        (HUMIDITY, "1027", 100.0),
        (HUMIDITY, "1127", Why.OUT_OF_RANGE),
        (HUMIDITY, "ffff", None),
        (PRESSURE, "ca760f00", 101.345),  # 1 013 450 tenths of a pascal
        (PRESSURE, "ffffffff", Why.OUT_OF_RANGE),
        (BATTERY, "64", 100.0),
        (BATTERY, "65", Why.OUT_OF_RANGE),
    ],
)
def test_characteristics_are_read_as_specified(uuid: str, data: str, value: Any) -> None:
    """Values, the octets that mean "not known", and what is prohibited."""
    assert decode_characteristic(CHARACTERISTICS[uuid], bytes.fromhex(data)) == value


@given(st.sampled_from(sorted(CHARACTERISTICS)), st.binary(max_size=8))
def test_no_octets_give_a_value_out_of_range(uuid: str, data: bytes) -> None:
    """Whatever a device sends is a value in range, a gap or a reason."""
    value = decode_characteristic(CHARACTERISTICS[uuid], data)
    if isinstance(value, float):
        quantity = QUANTITIES[CHARACTERISTICS[uuid].quantity]
        assert quantity.minimum <= value <= quantity.maximum


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(check: Check, bluez: Any, advertising: Any) -> None:
    """The kit that every adapter must pass."""
    bluez.gatt[LOFT] = gatt()
    advertising(LOFT)
    settings = {"sensors": {LOFT: "loft"}, "interval_s": 0.1}
    # bleak keeps its own connection to the bus for as long as the loop lives: it is made before anything is counted.
    warm = BluetoothSensing(check_settings(BluetoothSensing, settings), SystemClock()).readings()
    await anext(warm)
    await warm.aclose()  # type: ignore[attr-defined]
    await check(Specimen(BluetoothSensing, settings, SystemClock(), absent={"sensors": {}, "radio": "hci7"}))
