"""The MQTT adapter against Debian's mosquitto with TLS and login, and where it must misbehave, a broker of our own."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from collections.abc import AsyncIterator
from typing import Any

import cbor2
import pytest

from adapters import mqtt_link
from adapters.conformance import CHECKS, Check, Specimen
from adapters.contract import LostDeviceError, RefusedError, SettingsError, Stamp, Why
from adapters.mqtt_topics import MqttTopics
from adapters.registry import check_settings
from ingest.clock import SystemClock

JSON_PACK = b'[{"bn":"loft/","n":"temperature","u":"Cel","v":21.5},{"n":"humidity","u":"%RH","v":47.25}]'
CBOR_PACK = cbor2.dumps([{-2: "attic/", -3: 1_764_064_800, 0: "humidity", 1: "%RH", 2: 51.5}])


def adapter(settings: dict[str, Any]) -> MqttTopics:
    """Make the adapter as the daemon does."""
    return MqttTopics(check_settings(MqttTopics, settings), SystemClock())


def pack(value: float, at_s: int | None = None) -> bytes:
    """Give a pack of one humidity."""
    time_field = b"" if at_s is None else b',"t":%d' % at_s
    return b'[{"n":"loft/humidity","u":"%%RH","v":%.2f%s}]' % (value, time_field)


async def subscribed(broker: Any, heard: Any, topic: str = "climate/hello") -> None:
    """Wait until an adapter is subscribed: what is published then comes."""
    before = len(heard.readings)
    async with broker.publisher() as publisher, asyncio.timeout(10):
        while len(heard.readings) == before:
            assert not heard.task.done(), heard.task.exception()
            await publisher.publish(topic, pack(1), qos=1)
            await asyncio.sleep(0.05)
    await asyncio.sleep(0.1)
    heard.readings.clear()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_packs_in_json_and_cbor_come_in_over_tls_with_login(mosquitto: Any, listen: Any, version: str) -> None:
    """Both forms of SenML, in both versions of MQTT, through an encrypted connection that asks for a password."""
    heard = listen(adapter(mosquitto.settings | {"version": version}))
    await subscribed(mosquitto, heard)
    async with mosquitto.publisher() as publisher:
        await publisher.publish("climate/loft", JSON_PACK, qos=1)
        await publisher.publish("climate/attic", CBOR_PACK, qos=1)
    await heard.count(3)
    await heard.stop()
    assert [(r.sensor, r.quantity, r.value, r.stamp) for r in heard.readings] == [
        ("loft", "temperature_c", 21.5, Stamp.ARRIVAL),
        ("loft", "rh_percent", 47.25, Stamp.ARRIVAL),
        ("attic", "rh_percent", 51.5, Stamp.SENSOR),
    ]
    assert heard.readings[2].at_ms == 1_764_064_800_000


async def test_plain_numbers_become_readings_by_rule(mosquitto: Any, listen: Any) -> None:
    """Sensor and quantity from the topic or from the rule, units converted; what is no number is counted by reason."""
    numbers = {
        "house/{sensor}/temp": "temperature_c",
        "house/{sensor}/m/{quantity}": "{quantity}",
        "house/shed": {"sensor": "shed", "quantity": "temperature_f"},
    }
    listener = adapter(mosquitto.settings | {"numbers": numbers, "prefix": "mill-"})
    heard = listen(listener)
    await subscribed(mosquitto, heard)
    async with mosquitto.publisher() as publisher:
        for topic, text in (
            ("house/loft/temp", "21.5"), ("house/loft/m/humidity", " 47 \n"), ("house/loft/m/slab_rh_percent", "80"),
            ("house/shed", "68"), ("house/loft/temp", "warm"), ("house/loft/temp", "1e9"), ("house/loft/temp", "NaN"),
            ("house/the loft/temp", "20"), ("house/loft/m/mood", "20"), ("house/loft/temp", ""),
            ("house/last/temp", "-4e-1"),
        ):  # fmt: skip
            await publisher.publish(topic, text, qos=1)
    await heard.count(5)
    await heard.stop()
    assert [(r.sensor, r.quantity, r.value) for r in heard.readings] == [
        ("mill-loft", "temperature_c", 21.5),
        ("mill-loft", "rh_percent", 47.0),
        ("mill-loft", "slab_rh_percent", 80.0),
        ("mill-shed", "temperature_c", 20.0),
        ("mill-last", "temperature_c", -0.4),
    ]
    assert listener.health.rejected == {Why.NO_VALUE: 3, Why.OUT_OF_RANGE: 1, Why.NAME: 1, Why.UNKNOWN_QUANTITY: 1}


async def test_json_documents_become_readings_by_map(mosquitto: Any, listen: Any) -> None:
    """The sensor from the topic's places, values by pointers, the instant from the document; the rest is counted."""
    documents = {
        "house/{floor}/{room}/state": {
            "values": {
                "/air/t": "temperature_f",
                "/air/rh": "rh_percent",
                "/probe/mc": {"sensor": "{floor}-{room}.wood", "quantity": "wood_mc_percent", "scale": 0.1},
            },
            "sensor": "{floor}-{room}",
            "time": "/at",
        },
        "house/{sensor}/json": {"values": {"/rh": "rh_percent"}},
    }
    async with mosquitto.publisher() as publisher:
        await publisher.publish("house/up/loft/state", b'{"air":{"rh":40},"at":1764064000}', qos=1, retain=True)
        await publisher.publish("house/attic/json", b'{"rh":41}', qos=1, retain=True)
    listener = adapter(mosquitto.settings | {"documents": documents, "prefix": "mill-"})
    heard = listen(listener)
    await heard.count(1)
    assert heard.readings == [("mill-up-loft", "rh_percent", 40.0, 1_764_064_000_000, Stamp.SENSOR)]
    async with asyncio.timeout(5):
        while listener.health.rejected.get(Why.RETAINED) != 1:
            await asyncio.sleep(0.01)
    await subscribed(mosquitto, heard)
    before = dict(listener.health.rejected)
    async with mosquitto.publisher() as publisher:
        for topic, text in (
            ("house/up/loft/state", '{"air":{"t":70.7,"rh":"47.2"},"probe":{"mc":85},"at":"2025-11-25T10:00:00Z"}'),
            ("house/up/the loft/state", '{"air":{"rh":40},"at":1764064800}'),
            ("house/up/loft/state", '{"air":{"rh":40}}'),
            ("house/up/loft/state", "{"),
            ("house/cellar/json", '{"rh":80}'),
        ):
            await publisher.publish(topic, text, qos=1)
    await heard.count(4)
    await heard.stop()
    assert [r[:3] for r in heard.readings] == [
        ("mill-up-loft", "temperature_c", pytest.approx(21.5)),
        ("mill-up-loft", "rh_percent", 47.2),
        ("mill-up-loft.wood", "wood_mc_percent", 8.5),
        ("mill-cellar", "rh_percent", 80.0),
    ]
    assert [r.stamp for r in heard.readings] == [Stamp.SENSOR] * 3 + [Stamp.ARRIVAL]
    counted = {why: count - before.get(why, 0) for why, count in listener.health.rejected.items()}
    assert {why: count for why, count in counted.items() if count} == {
        Why.NAME: 3, Why.TIME: 1, Why.NO_VALUE: 2, Why.NOT_JSON: 1,
    }  # fmt: skip


async def test_a_retained_message_counts_only_where_it_says_when(mosquitto: Any, listen: Any) -> None:
    """What the broker kept is of unknown age: an old value without a time is no reading of now."""
    async with mosquitto.publisher() as publisher:
        await publisher.publish("climate/untimed", pack(40), qos=1, retain=True)
        await publisher.publish("climate/timed", pack(41, 1_764_000_000), qos=1, retain=True)
        await publisher.publish("house/loft/rh", "42", qos=1, retain=True)
    listener = adapter(mosquitto.settings | {"numbers": {"house/{sensor}/rh": "rh_percent"}})
    heard = listen(listener)
    await heard.count(1)
    async with mosquitto.publisher() as publisher:
        await publisher.publish("house/loft/rh", "43", qos=1, retain=True)  # fresh to whoever is subscribed already
    await heard.count(2)
    await heard.stop()
    assert sorted(r.value for r in heard.readings) == [41.0, 43.0]
    assert listener.health.rejected == {Why.RETAINED: 2}


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_what_was_sent_while_we_were_away_comes_once_and_in_order(
    mosquitto: Any, listen: Any, version: str
) -> None:
    """QoS 1 over a broken-off run: two hundred messages sent meanwhile are all there, none twice."""
    settings = mosquitto.settings | {"version": version}
    first = listen(adapter(settings))
    await subscribed(mosquitto, first)
    await first.stop()
    async with mosquitto.publisher() as publisher:
        for number in range(200):
            await publisher.publish("climate/loft", pack(number / 4), qos=1)
    second = listen(adapter(settings))
    await second.count(200)
    await asyncio.sleep(0.3)
    await second.stop()
    assert [r.value for r in second.readings] == [number / 4 for number in range(200)]


async def test_a_killed_broker_is_noticed_at_once_and_taken_up_when_it_is_back(mosquitto: Any, listen: Any) -> None:
    """A broker that dies ends the run with a sentence; a new run against the restarted one works."""
    first = listen(adapter(mosquitto.settings))
    await subscribed(mosquitto, first)
    mosquitto.end()
    with pytest.raises(LostDeviceError, match=r"broker 127\.0\.0\.1:\d+: the connection was lost"):
        await asyncio.wait_for(first.task, 5)
    with pytest.raises(LostDeviceError, match="it cannot be reached"):
        await listen(adapter(mosquitto.settings)).task
    await mosquitto.start()
    second = listen(adapter(mosquitto.settings))
    await subscribed(mosquitto, second)
    await second.stop()


async def test_a_broker_that_hangs_is_noticed_by_its_silence(mosquitto: Any, listen: Any) -> None:
    """A stopped process keeps its connection open; twice the keep-alive later it counts as lost."""
    heard = listen(adapter(mosquitto.settings))
    await subscribed(mosquitto, heard)
    mosquitto.signal(signal.SIGSTOP)
    began_s = time.monotonic()
    with pytest.raises(LostDeviceError, match="the connection was lost"):
        await asyncio.wait_for(heard.task, 15)
    mosquitto.signal(signal.SIGCONT)
    assert time.monotonic() - began_s < 8


async def test_a_wrong_login_and_a_wrong_certificate_say_what_to_do(mosquitto: Any, listen: Any) -> None:
    """Each refusal is its own sentence, and none of them shows the password."""
    good = mosquitto.settings
    untrusted = {key: value for key, value in good.items() if key != "ca_file"}
    for settings, message in (
        (good | {"password": "wrong"}, r"it refuses the login .*Check login"),
        (untrusted, r"its certificate or its TLS is not to be trusted.*ca_file"),
    ):
        with pytest.raises(RefusedError, match=message) as caught:
            await asyncio.wait_for(listen(adapter(settings)).task, 15)
        assert "battery" not in str(caught.value)
    with pytest.raises(SettingsError, match="the certificates cannot be read"):
        await listen(adapter(good | {"ca_file": "/nowhere.pem"})).task


async def test_two_that_share_a_subscription_get_each_message_once_between_them(mosquitto: Any, listen: Any) -> None:
    """MQTT 5, section 4.8.2: a shared subscription hands each message to one of the group."""
    shared = mosquitto.settings | {"topics": ["$share/lumber/climate/#"]}
    two = [listen(adapter(shared | {"client_id": f"two-{number}"})) for number in range(2)]
    await asyncio.sleep(1)
    async with mosquitto.publisher() as publisher:
        for number in range(60):
            await publisher.publish("climate/loft", pack(number), qos=1)
    async with asyncio.timeout(10):
        while sum(len(one.readings) for one in two) < 60:
            await asyncio.sleep(0.02)
    await asyncio.sleep(0.2)
    for one in two:
        await one.stop()
    assert sorted(r.value for one in two for r in one.readings) == [float(number) for number in range(60)]
    assert all(one.readings for one in two)


async def test_a_flood_that_nobody_takes_is_bounded_and_the_newest_stay(mosquitto: Any) -> None:
    """Of thirty thousand messages sent while the store hangs at most ten thousand are held, and the loss is counted."""
    listener = adapter(mosquitto.settings | {"numbers": {"house/{sensor}/n": "temperature_c"}})
    batches = listener.readings()
    waiting = asyncio.ensure_future(anext(batches))
    async with mosquitto.publisher() as publisher:
        while not waiting.done():
            await publisher.publish("climate/loft", pack(1), qos=1)
            await asyncio.sleep(0.05)
        for number in range(30_000):
            await publisher.publish("house/loft/n", str(number / 1000), qos=0)
            if number % 200 == 0:
                await asyncio.sleep(0)
        await asyncio.sleep(1)
    values: list[float] = []
    with contextlib.suppress(TimeoutError):
        while True:
            values += [r.value for r in await asyncio.wait_for(anext(batches), 1)]
    await batches.aclose()  # type: ignore[attr-defined]
    numbers = [value for value in values if value != 1.0]
    assert len(numbers) <= mqtt_link.HELD_MESSAGES
    assert numbers[-1] == 29.999
    assert listener.health.rejected[Why.OVERRUN] >= 30_000 - mqtt_link.HELD_MESSAGES - 10


class ForgetfulBroker:
    """Speaks just enough MQTT 3.1.1 to send a message of QoS 1 again after its acknowledgement was lost."""

    def __init__(self) -> None:
        self.connections = 0
        self.grants = b"\x01"  # QoS 1
        self.acknowledged: list[int] = []

    async def start(self) -> int:
        """Listen on a free port and give it."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    async def end(self) -> None:
        """Stop listening."""
        self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                kind, body = await self._packet(reader)
                if kind == 1:
                    writer.write(b"\x20\x02\x01\x00")
                elif kind == 8:
                    writer.write(b"\x90\x03" + body[:2] + self.grants)
                    self._publish(writer, 7, 40, again=self.connections > 1)
                    if self.connections > 1:
                        self._publish(writer, 7, 41, again=False)  # the number is used anew for another message
                        self._publish(writer, 8, 41, again=True)  # never got through the first time
                elif kind == 4:
                    self.acknowledged.append(int.from_bytes(body))
                    if self.connections == 1:
                        break
        writer.close()

    @staticmethod
    async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
        kind = (await reader.readexactly(1))[0] >> 4
        length = (await reader.readexactly(1))[0]  # all packets of a subscriber in this test are short
        return kind, await reader.readexactly(length)

    @staticmethod
    def _publish(writer: asyncio.StreamWriter, number: int, value: float, *, again: bool) -> None:
        body = b"\x00\x09climate/x" + number.to_bytes(2) + pack(value)
        writer.write(bytes([0x3A if again else 0x32, len(body)]) + body)


@pytest.fixture
async def forgetful() -> AsyncIterator[tuple[ForgetfulBroker, dict[str, Any]]]:
    """A broker that loses our acknowledgement, and the settings that lead to it."""
    broker = ForgetfulBroker()
    port = await broker.start()
    settings = {"broker": "127.0.0.1", "port": port, "topics": ["climate/#"], "version": "3.1.1", "client_id": "f"}
    yield broker, settings
    await broker.end()


async def test_what_the_broker_sends_again_counts_once(
    forgetful: tuple[ForgetfulBroker, dict[str, Any]], listen: Any
) -> None:
    """A repeat of what was taken is acknowledged and left out; another message by the same number is not."""
    broker, settings = forgetful
    first = listen(adapter(settings))
    with pytest.raises(LostDeviceError):
        await asyncio.wait_for(first.task, 5)
    second = listen(adapter(settings))
    await second.count(2)
    await asyncio.sleep(0.1)
    await second.stop()
    assert [r.value for r in first.readings] == [40.0]
    assert [r.value for r in second.readings] == [41.0, 41.0]
    assert broker.acknowledged == [7, 7, 7, 8]


async def test_a_topic_that_we_may_not_read_says_so(
    forgetful: tuple[ForgetfulBroker, dict[str, Any]], listen: Any
) -> None:
    """A subscription that the broker refuses (return code 128) is told by its topic, not waited on for ever."""
    broker, settings = forgetful
    broker.grants = b"\x80"
    with pytest.raises(RefusedError, match=r"does not let us subscribe to climate/#"):
        await asyncio.wait_for(listen(adapter(settings)).task, 5)


async def test_a_message_is_acknowledged_only_when_its_readings_were_handed_over(
    forgetful: tuple[ForgetfulBroker, dict[str, Any]],
) -> None:
    """While the readings are still in our hands the broker keeps the message."""
    broker, settings = forgetful
    batches = adapter(settings).readings()
    assert [r.value for r in await anext(batches)] == [40.0]
    await asyncio.sleep(0.1)
    assert broker.acknowledged == []
    following = asyncio.ensure_future(anext(batches))
    async with asyncio.timeout(5):
        while not broker.acknowledged:
            await asyncio.sleep(0.01)
    following.cancel()
    await asyncio.gather(following, return_exceptions=True)
    await batches.aclose()  # type: ignore[attr-defined]


async def test_a_message_whose_readings_are_stored_is_acknowledged_once(
    forgetful: tuple[ForgetfulBroker, dict[str, Any]],
) -> None:
    """Told that they are durable it acknowledges at once, also where no more is asked for because the daemon stops."""
    broker, settings = forgetful
    made = adapter(settings)
    made.stored()  # with nothing given there is nothing to do
    batches = made.readings()
    await anext(batches)
    assert broker.acknowledged == []
    made.stored()
    made.stored()
    await batches.aclose()  # type: ignore[attr-defined]
    async with asyncio.timeout(5):
        while not broker.acknowledged:
            await asyncio.sleep(0.01)
    assert len(broker.acknowledged) == 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"topics": []}, "topics: no topic is named"),
        ({"topics": ["a/#/b"]}, "topics: 'a/#/b' is no topic filter"),
        ({"topics": ["a+/b"]}, "topics: 'a+/b' is no topic filter"),
        ({"topics": ["$share/x"]}, "topics: '$share/x' is no topic filter"),
        ({"topics": [5]}, "topics: 5 is no topic filter"),
        ({"numbers": {"house/t": "temperature_c"}}, '"house/t": it does not say whose numbers these are'),
        ({"numbers": {"house/{sensor}/t": "mood"}}, "\"house/{sensor}/t\": 'mood' is no quantity"),
        ({"numbers": {"house/{sensor}": {"sensor": "x", "quantity": "rh_percent"}}}, "it names the sensor twice"),
        ({"numbers": {"house/x": {"sensor": "a b", "quantity": "rh_percent"}}}, "'a b' cannot be a sensor's name"),
        ({"numbers": {"house/#": "rh_percent"}}, '"house/#": it is no rule for a topic'),
        ({"numbers": {"a/{x}/{x}": "rh_percent"}}, "a place stands in it twice"),
        ({"numbers": {"a/b{x}": "rh_percent"}}, '"a/b{x}": it is no rule for a topic'),
        ({"documents": {"a/b": 5}}, '"a/b": no value is named'),
        ({"documents": {"a/b": {"values": {}}}}, '"a/b": no value is named'),
        ({"documents": {"a/b": {"values": {"/t": "rh_percent"}}}}, "'/t' has no sensor"),
        ({"documents": {"a/b": {"values": {"/t": "rh_percent"}, "sensor": "{b}"}}}, "there is no place {b}"),
        ({"documents": {"a/{sensor}": {"values": {"/t": "rh_percent"}, "at": "/t"}}}, "there is no key 'at'"),
        ({"prefix": "a b"}, "prefix: 'a b' cannot be a sensor's name"),
    ],
)
def test_settings_that_cannot_be_say_so_at_the_start(change: dict[str, Any], message: str) -> None:
    """Topics and rules are held against MQTT's own rules before anything is opened."""
    with pytest.raises(SettingsError) as caught:
        adapter({"broker": "localhost", "topics": ["climate/#"]} | change)
    assert message in str(caught.value)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(check: Check, mosquitto: Any) -> None:
    """The kit that every adapter must pass, with a sensor that publishes twenty times a second."""
    await asyncio.gather(*(asyncio.to_thread(time.sleep, 0.01) for _ in range(8)))  # the pool's threads are not ours

    enough = asyncio.Event()

    async def talk() -> None:
        async with mosquitto.publisher() as publisher:
            while not enough.is_set():
                await publisher.publish("climate/loft", JSON_PACK)
                await asyncio.sleep(0.05)

    talking = asyncio.create_task(talk())
    await asyncio.sleep(0.3)
    absent = mosquitto.settings | {"port": 1}
    await check(Specimen(MqttTopics, mosquitto.settings, SystemClock(), absent=absent))
    # Not by cancelling: publishing swallows that when it ends at the same moment (asyncio.wait_for, up to Python 3.11).
    enough.set()
    await asyncio.gather(talking, return_exceptions=True)
