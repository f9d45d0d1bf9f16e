"""The Bluetooth adapter over bleak's own Linux code, a real D-Bus daemon and a look-alike of the Bluetooth service."""

from __future__ import annotations

import asyncio
import time
from typing import Any

import pytest
from bleak.backends.bluezdbus.manager import get_global_bluez_manager
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from adapters import bluetooth_radio
from adapters.bluetooth_broadcasts import RESTAMP_MS, BluetoothBroadcasts
from adapters.conformance import CHECKS, Check, Specimen
from adapters.contract import LostDeviceError, SettingsError, TransientError, Why
from adapters.registry import check_settings
from ingest.clock import DrivenClock, SystemClock

LOFT, CELLAR, STRANGER = "A4:C1:38:00:00:01", "A4:C1:38:00:00:02", "C0:FF:EE:00:00:01"
SENSORS = {LOFT: "loft", CELLAR.lower(): "cellar"}


def adapter(clock: Any = None, **settings: Any) -> BluetoothBroadcasts:
    """Make the adapter as the daemon does."""
    chosen = check_settings(BluetoothBroadcasts, {"sensors": SENSORS} | settings)
    return BluetoothBroadcasts(chosen, clock or SystemClock())


def payload(packet_id: int, centidegrees: int) -> bytes:
    """Give a broadcast with a packet number and a temperature."""
    return bytes([0x40, 0x00, packet_id, 0x02]) + centidegrees.to_bytes(2, "little", signed=True)


async def test_a_listed_sensors_broadcast_becomes_readings_with_its_signal(until: Any, bluez: Any, listen: Any) -> None:
    """Temperature, humidity and signal strength come in; the address may be written in either case."""
    heard = listen(adapter())
    await until(lambda: bluez.sessions)
    bluez.advertise(CELLAR, bytes.fromhex("4002c40903bf13"), rssi=-71)
    await heard.count(3)
    await heard.stop()
    assert [(r.sensor, r.quantity, r.value) for r in heard.readings] == [
        ("cellar", "temperature_c", 25.0),
        ("cellar", "rh_percent", 50.55),
        ("cellar", "signal_dbm", -71.0),
    ]


async def test_a_repeat_counts_once_and_a_new_packet_number_always(until: Any, bluez: Any, listen: Any) -> None:
    """The same advertisement many times is one measurement; the same value under a new number is another."""
    heard = listen(adapter())
    await until(lambda: bluez.sessions)
    for packet_id in (1, 1, 1, 2, 2, 3):
        bluez.advertise(LOFT, payload(packet_id, 2100))
    await heard.count(6)
    bluez.advertise(LOFT, payload(4, 2150))
    await heard.count(8)
    await heard.stop()
    assert [r.value for r in heard.readings if r.quantity == "temperature_c"] == [21.0, 21.0, 21.0, 21.5]


async def test_without_packet_numbers_a_steady_room_is_heard_once_a_minute(until: Any, bluez: Any, listen: Any) -> None:
    """An unchanged payload is a repeat at first, and after a minute a new measurement: the sensor is alive."""
    clock = DrivenClock()
    heard = listen(adapter(clock))
    await until(lambda: bluez.sessions)
    steady = bytes.fromhex("4002c409")
    for _ in range(3):
        bluez.advertise(LOFT, steady)
    await heard.count(2)
    await clock.advance(RESTAMP_MS / 1000)
    bluez.advertise(LOFT, steady)
    await heard.count(4)
    await heard.stop()
    first, second = [r.at_ms for r in heard.readings if r.quantity == "temperature_c"]
    assert second - first == RESTAMP_MS


async def test_duplicates_are_asked_for_so_that_a_steady_sensor_is_not_filtered_away(
    until: Any, bluez: Any, listen: Any
) -> None:
    """The service is asked to tell unchanged payloads too; otherwise a steady room would look like a dead sensor."""
    heard = listen(adapter())
    await until(lambda: bluez.sessions)
    assert bluez.duplicates
    await heard.stop()


async def test_strangers_leave_no_trace(until: Any, bluez: Any, listen: Any) -> None:
    """Five hundred devices that are not on the list give nothing, are not remembered, and do not disturb."""
    listener = adapter()
    heard = listen(listener)
    await until(lambda: bluez.sessions)
    for number in range(500):
        bluez.advertise(f"C0:FF:EE:00:{number >> 8:02X}:{number & 255:02X}", payload(number & 255, 2000))
        if number % 20 == 0:
            await asyncio.sleep(0.002)
    bluez.advertise(LOFT, payload(1, 2100))
    await heard.count(2)
    await heard.stop()
    assert {r.sensor for r in heard.readings} == {"loft"}
    assert set(listener._last) == {"loft"}
    assert listener.health.rejected == {}


async def test_strangers_that_pass_by_leave_nothing_in_bleak_either(until: Any, bluez: Any, listen: Any) -> None:
    """Two thousand devices with changing addresses come and are let go by the service: nobody knows of them then."""
    heard = listen(adapter())
    await until(lambda: bluez.sessions)
    manager = await get_global_bluez_manager()
    (scanner,) = (one._scanner for one in bluetooth_radio._scanners[asyncio.get_running_loop()].values())
    most = 0
    for number in range(2000):
        address = f"C0:FF:EE:00:{number >> 8:02X}:{number & 255:02X}"
        bluez.advertise(address, payload(number & 255, 2000))
        bluez.forget(address)
        if number % 20 == 0:
            await asyncio.sleep(0.002)
            most = max(most, len(manager._properties))
    bluez.advertise(LOFT, payload(1, 2100))
    await heard.count(2)
    assert most < 500
    assert {path.rpartition("/")[2] for path in manager._properties} == {"hci0", f"dev_{LOFT.replace(':', '_')}"}
    assert [device.address for device, _ in scanner._backend.seen_devices.values()] == [LOFT]
    await heard.stop()


async def test_an_old_payload_that_comes_again_without_being_heard_is_not_taken(
    until: Any, bluez: Any, listen: Any
) -> None:
    """When a property changes bleak calls back with the payload that it kept: that is no broadcast."""
    clock = DrivenClock()
    heard = listen(adapter(clock))
    await until(lambda: bluez.sessions)
    bluez.advertise(LOFT, bytes.fromhex("4002c409"))
    await heard.count(2)
    await clock.advance(3600)
    bluez.invalidate_rssi(LOFT)
    bluez.advertise(CELLAR, bytes.fromhex("4002c409"))
    await heard.count(4)
    await heard.stop()
    assert [r.sensor for r in heard.readings] == ["loft", "loft", "cellar", "cellar"]


async def test_encrypted_and_broken_broadcasts_of_listed_sensors_are_counted(
    until: Any, bluez: Any, listen: Any
) -> None:
    """They are rejections with the sensor's name, not silence."""
    listener = adapter()
    heard = listen(listener)
    await until(lambda: bluez.sessions)
    bluez.advertise(LOFT, bytes.fromhex("41a47266c95f730011223378237214"))
    bluez.advertise(CELLAR, b"\x40\x02\x01")
    await until(lambda: sum(listener.health.rejected.values()) == 2)
    await heard.stop()
    assert listener.health.rejected == {Why.ENCRYPTED: 1, Why.UNDECODABLE: 1}


KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")


def sealed(address: str, counter: int, centidegrees: int, key: bytes = KEY) -> bytes:
    """Give an encrypted broadcast, made by the published rule (bthome.io/encryption)."""
    plain, count = b"\x02" + centidegrees.to_bytes(2, "little", signed=True), counter.to_bytes(4, "little")
    nonce = bytes.fromhex(address.replace(":", "")) + b"\xd2\xfc\x41" + count
    made = AESCCM(key, tag_length=4).encrypt(nonce, plain, None)
    return b"\x41" + made[:-4] + count + made[-4:]


async def test_encrypted_sensors_are_read_by_their_key_and_believed_by_nothing_else(
    until: Any, bluez: Any, listen: Any
) -> None:
    """A plain pretender, a wrong key, another's broadcast and one played again are counted; repeats are not."""
    clock = DrivenClock()
    listener = adapter(clock, keys=f"{LOFT} {KEY.hex()}\n{CELLAR.lower()}={KEY.hex()}")
    heard = listen(listener)
    await until(lambda: bluez.sessions)
    for data in (
        sealed(LOFT, 5, 2100),
        sealed(LOFT, 5, 2100),
        sealed(LOFT, 6, 2110),
        payload(1, 9900),  # plain
        sealed(LOFT, 7, 9900, bytes(16)),  # a wrong key
        sealed(CELLAR, 8, 9900),  # recorded from another sensor
        sealed(LOFT, 4, 9900),  # played again
        sealed(LOFT, 9, 2120),
    ):
        bluez.advertise(LOFT, data)
        await asyncio.sleep(0.01)
    await heard.count(6)
    await clock.advance(600)
    bluez.advertise(LOFT, sealed(LOFT, 1, 2130))  # a new battery
    await heard.count(8)
    await heard.stop()
    assert [r.value for r in heard.readings if r.quantity == "temperature_c"] == [21.0, 21.1, 21.2, 21.3]
    assert listener.health.rejected == {Why.NOT_SEALED: 3, Why.REPLAYED: 1}


@pytest.mark.parametrize("keys", ["nonsense", f"{LOFT} 00", CELLAR, f"{LOFT} {'g' * 32}"])
def test_keys_that_cannot_be_are_refused_without_showing_them(keys: str) -> None:
    """The message says which entry, and how it should look."""
    with pytest.raises(SettingsError, match="keys: entry 1 is no address and key") as caught:
        adapter(keys=keys)
    assert keys not in str(caught.value)


async def test_two_adapters_share_the_radios_one_scanner(until: Any, bluez: Any, listen: Any) -> None:
    """A second adapter on the same radio joins the scan, and the scan ends when the last has left."""
    first = listen(adapter(sensors={LOFT: "loft"}))
    second = listen(adapter(sensors={CELLAR: "cellar"}))
    await until(lambda: bluez.sessions)
    bluez.advertise(LOFT, payload(1, 2100))
    bluez.advertise(CELLAR, payload(1, 1200))
    await first.count(2)
    await second.count(2)
    await first.stop()
    assert bluez.sessions
    bluez.advertise(CELLAR, payload(2, 1210))
    await second.count(4)
    await second.stop()
    assert not bluez.sessions
    assert bluez.calls.count("StartDiscovery") == 1


async def test_a_radio_that_went_deaf_is_noticed_and_a_new_scanner_hears(until: Any, bluez: Any, listen: Any) -> None:
    """A radio that just stops delivering raises nothing and tells nobody: hearing nobody at all is the sign."""
    first = listen(adapter(deaf_after_s=1.0))
    await until(lambda: bluez.sessions)
    bluez.advertise(STRANGER, None)
    bluez.sessions.clear()
    began_s = time.monotonic()
    with pytest.raises(TransientError, match=r"not one sign of any device for 1 s\. The radio is started anew"):
        await first.task
    assert 0.8 < time.monotonic() - began_s < 3
    second = listen(adapter(deaf_after_s=1.0))
    await until(lambda: bluez.sessions)
    bluez.advertise(LOFT, payload(9, 2100))
    await second.count(2)
    await second.stop()


@pytest.mark.parametrize(
    ("pull", "restore", "said"),
    [
        (lambda bluez: bluez.remove_radio(), lambda bluez: bluez.add_radio(), "it was pulled out"),
        (lambda bluez: bluez.power(False), lambda bluez: bluez.power(True), "it was switched off"),
    ],
)
async def test_a_radio_that_goes_is_known_at_once_and_heard_when_it_is_back(
    until: Any, bluez: Any, listen: Any, pull: Any, restore: Any, said: str
) -> None:
    """Pulled out or without power nothing is raised by the library; the service's own word ends the run, for both."""
    both = [listen(adapter(sensors={LOFT: "loft"})), listen(adapter(sensors={CELLAR: "cellar"}))]
    await until(lambda: bluez.sessions)
    began_s = time.monotonic()
    pull(bluez)
    for one in both:
        with pytest.raises(LostDeviceError, match=said):
            await asyncio.wait_for(one.task, 2)
    assert time.monotonic() - began_s < 1
    restore(bluez)
    await asyncio.sleep(0.1)  # until the library has heard that there is a radio
    again = listen(adapter())
    await until(lambda: bluez.sessions)
    bluez.advertise(LOFT, payload(9, 2100))
    await again.count(2)
    await again.stop()


async def test_the_first_radio_and_the_same_one_by_its_name_are_one(until: Any, bluez: Any, listen: Any) -> None:
    """Two adapters, one of which names the radio: one scanner, and both hear."""
    both = [listen(adapter(sensors={LOFT: "loft"})), listen(adapter(sensors={LOFT: "loft-2"}, radio="hci0"))]
    await until(lambda: bluez.sessions)
    await asyncio.sleep(0.2)
    bluez.advertise(LOFT, payload(1, 2100))
    for one in both:
        await one.count(2)
        await one.stop()
    assert bluez.calls.count("StartDiscovery") == 1


async def test_another_radio_that_goes_is_none_of_our_business(until: Any, bluez: Any, listen: Any) -> None:
    """Where the radio is named, only that one matters."""
    bluez.add_radio("hci1")
    heard = listen(adapter(radio="hci0"))
    await until(lambda: bluez.sessions)
    bluez.power(False, "hci1")
    await asyncio.sleep(0.2)
    bluez.advertise(LOFT, payload(1, 2100))
    await heard.count(2)
    await heard.stop()


async def test_a_strangers_broadcast_is_a_sign_of_life(until: Any, bluez: Any, listen: Any) -> None:
    """While anybody is heard the radio is not deaf, however silent the listed sensors are."""
    heard = listen(adapter(deaf_after_s=1.0))
    await until(lambda: bluez.sessions)
    for number in range(8):
        bluez.advertise(STRANGER, None, rssi=-60 - number)
        await asyncio.sleep(0.2)
    assert not heard.task.done()
    await heard.stop()


async def test_without_a_radio_or_switched_off_it_says_so(new_bluez: Any, bus: str) -> None:
    """No service, no radio, and a radio that is off are three sentences that say what to do."""
    with pytest.raises(LostDeviceError, match=r"Bluetooth service does not answer"):
        await anext(adapter().readings())
    service = new_bluez()
    await service.start(bus)
    service.add_radio(powered=False)
    await asyncio.sleep(0.1)
    with pytest.raises(LostDeviceError, match=r"switched off.*bluetoothctl power on"):
        await anext(adapter().readings())
    service.end()


async def test_a_call_that_is_never_answered_does_not_hold_up_the_stop(until: Any, bluez: Any, listen: Any) -> None:
    """While the service hangs the adapter can be cancelled at once, and the next one works when it answers again."""
    bluez.unanswered = {"StartDiscovery"}
    hung = listen(adapter())
    await until(lambda: "StartDiscovery" in bluez.calls)
    began_s = time.monotonic()
    await hung.stop()
    assert time.monotonic() - began_s < 1
    bluez.unanswered = set()
    heard = listen(adapter())
    await until(lambda: bluez.sessions)
    bluez.advertise(LOFT, payload(1, 2100))
    await heard.count(2)
    await heard.stop()


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(check: Check, bluez: Any) -> None:
    """The kit that every adapter must pass, with a sensor that broadcasts twenty times a second."""

    async def talk() -> None:
        for number in range(10_000):
            bluez.advertise(LOFT, payload(number & 255, 2000 + number % 100))
            await asyncio.sleep(0.05)

    talking = asyncio.create_task(talk())
    # bleak keeps its own connection to the bus for as long as the loop lives: it is made before anything is counted.
    warm = adapter().readings()
    await anext(warm)
    await warm.aclose()  # type: ignore[attr-defined]
    await check(
        Specimen(BluetoothBroadcasts, {"sensors": SENSORS}, SystemClock(), absent={"sensors": {}, "radio": "hci7"})
    )
    talking.cancel()


@pytest.mark.parametrize(
    ("sensors", "message"),
    [
        ({"A4:C1:38": "loft"}, "sensors: 'A4:C1:38' is no Bluetooth address"),
        ({LOFT: "the loft"}, "sensors: 'the loft' cannot be a sensor's name"),
        ({LOFT: 5}, "sensors: 5 cannot be a sensor's name"),
    ],
)
def test_a_list_that_cannot_be_is_refused(sensors: dict[str, Any], message: str) -> None:
    """Addresses and names on the list are checked before anything is opened."""
    with pytest.raises(SettingsError) as caught:
        adapter(sensors=sensors)
    assert str(caught.value).startswith(message)


async def test_a_scan_that_will_not_stop_is_left_and_the_next_one_hears(until: Any, bluez: Any, listen: Any) -> None:
    """The service refuses to stop scanning: leaving works all the same, and whoever listens next is heard."""
    first = listen(adapter())
    await until(lambda: bluez.sessions)
    bluez.failing["StopDiscovery"] = 1
    await first.stop()
    bluez.sessions.clear()  # what bluetoothd makes of a client's session in the end
    second = listen(adapter())
    await until(lambda: bluez.sessions)
    bluez.advertise(LOFT, payload(1, 2100))
    await second.count(2)
    await second.stop()


async def test_a_service_that_was_restarted_is_heard_again(
    until: Any, bus: str, bluez: Any, new_bluez: Any, listen: Any
) -> None:
    """Killed, it takes its name off the bus, which ends the run at once; a new run listens to the new service."""
    first = listen(adapter())
    await until(lambda: bluez.sessions)
    bluez.end()
    restarted = new_bluez()
    await restarted.start(bus)
    restarted.add_radio()
    with pytest.raises(LostDeviceError, match="Bluetooth service was stopped"):
        await asyncio.wait_for(first.task, 2)
    second = listen(adapter())
    await until(lambda: restarted.sessions)
    restarted.advertise(LOFT, payload(1, 2100))
    await second.count(2)
    await second.stop()
    restarted.end()
