"""Keys of devices at the way in for readings: what each may write, how often, and in which bodies."""

from __future__ import annotations

import asyncio
import gzip
import json
import random

import pytest
from starlette.testclient import TestClient

from dashboards.api import push_app, push_body, rates
from dashboards.api.rates import Buckets, Limits, Rate, network_of, retry_after
from dashboards.services import DeviceRight

SENML = "application/senml+json"
KEY = "lr-a-key-of-the-tests"


@pytest.fixture
def device(services):
    """The application for devices, as it stands on a network, with one device that may write the hall's sensors."""
    services.rights[KEY] = DeviceRight("hall-board", ("hall-*", "loft-wood"))
    with TestClient(push_app.create_push_app(services), base_url="http://192.0.2.7:8431") as made:
        yield made


@pytest.fixture
def push(device):
    """Hand a body in with the device's key."""

    def send(body, *, key=KEY, client=device, **headers):
        given = {"Authorization": f"Bearer {key}", "Content-Type": SENML, **headers}
        return client.post("/api/v1/readings", content=body, headers=given)

    return send


def pack(bench, *sensors: str, later_s: int = 60) -> bytes:
    """Give a pack with one reading of each of these sensors."""
    at_s = bench.now_ms / 1000 + later_s
    return json.dumps([{"n": f"{one}/humidity", "u": "%RH", "v": 44.0, "t": at_s} for one in sensors]).encode()


def test_a_device_writes_its_own_sensors_and_no_other_rooms(push, services, bench):
    """A record of another room's sensor is refused by its place; one with nothing else in it is 403, and stored is
    nothing of either."""
    answer = push(pack(bench, "hall-air", "loft-air"))
    assert answer.status_code == 207
    assert answer.json()["stored"] == 1
    (refused,) = answer.json()["rejections"]
    assert (refused["record"], refused["reason"], refused["sensor"]) == (1, "sensor not on the allow-list", "loft-air")
    answer = push(pack(bench, "loft-air", "loft-air-2"))
    assert answer.status_code == 403
    assert answer.headers["content-type"] == "application/problem+json"
    assert "hall-board" in answer.json()["detail"]
    assert answer.json()["rejected"] == 2
    stored = services.read.latest([bench.key("loft-air"), bench.key("hall-air")])
    assert stored[bench.key("loft-air")].at_ms == bench.now_ms
    assert stored[bench.key("hall-air")].at_ms == bench.now_ms + 60_000


@pytest.mark.parametrize(
    ("sensors", "sensor", "may"),
    [
        (("loft-1",), "loft-1", True),
        (("loft-1",), "loft-11", False),
        (("loft-*",), "loft-11", True),
        (("loft-*",), "loft", False),
        (("a", "b*"), "bc", True),
        (("*",), "anything", True),
        ((), "loft-1", False),
    ],
)
def test_names_and_beginnings_of_names(sensors, sensor, may):
    """A name is a name, and a star stands for whatever follows."""
    assert DeviceRight("x", sensors).allows(sensor) is may


def test_the_wirings_token_is_for_this_computer_only(push, client, bench):
    """On the page's address it is taken, as keys are; on the devices' address it is unknown."""
    assert push(pack(bench, "hall-air"), key=bench.token).status_code == 401
    assert push(pack(bench, "hall-air"), key=bench.token, client=client).status_code == 202
    assert push(pack(bench, "hall-air"), client=client).json()["repeated"] == 1


@pytest.mark.parametrize("path", ["/", "/rooms/hall", "/api/v1/rooms", "/api/openapi.json", "/live", "/metrics", "/x"])
def test_devices_find_nothing_but_the_way_in(device, path):
    """Their address shows nothing of the site: every other path is 404 as a problem document."""
    answer = device.get(path)
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "Bench house" not in answer.text


def test_who_sends_too_often_is_told_when_to_come_again(push, services, bench):
    """After the burst 429 with Retry-After; after that time it goes on; others are not held back meanwhile."""
    services.rights["other"] = DeviceRight("other", ("hall-air",))
    burst = int(Limits().key.burst)
    for _ in range(burst):
        assert push(b"{}").status_code == 400
    answer = push(b"{}")
    assert answer.status_code == 429
    assert answer.headers["content-type"] == "application/problem+json"
    wait_s = int(answer.headers["retry-after"])
    assert wait_s >= 1
    assert push(pack(bench, "hall-air"), key="other").status_code == 202
    asyncio.run(services.clock.advance(wait_s))
    assert push(b"{}").status_code == 400


def test_the_sites_own_program_is_not_held_back(client, services, bench):
    """The wiring's token on the computer itself may be that of a gateway for very many sensors."""
    headers = {"Authorization": f"Bearer {bench.token}", "Content-Type": SENML}
    local = TestClient(client.app, base_url="http://127.0.0.1:8430", client=("127.0.0.1", 5))
    burst = int(Limits().address.burst)
    answers = {local.post("/api/v1/readings", content=b"{}", headers=headers).status_code for _ in range(burst + 50)}
    assert answers == {400}


def test_strangers_are_held_back_sooner(push, bench):
    """Who tries keys gets few tries from one address; who has one that holds, behind it, is not held back with them."""
    for _ in range(int(Limits().unknown.burst)):
        assert push(b"{}", key="guess").status_code == 401
    assert push(b"{}", key="guess").status_code == 429
    assert push(pack(bench, "hall-air")).status_code == 202  # a device with its key, behind the same address
    assert push(b"{}", key="guess").status_code == 429


def test_a_flood_of_readings_is_paid_back(push, services, bench):
    """Many readings in few requests count too: the bucket is overdrawn once, and then it is 429 until paid back."""
    records = [{"n": "hall-air/humidity", "u": "%RH", "v": 44.0, "t": -one / 1000} for one in range(10_000)]
    big = json.dumps(records).encode()
    answers = [push(big).status_code for _ in range(7)]
    assert answers == [202] * 5 + [429] * 2


def test_buckets_forget_and_stay_small():
    """Of very many askers only some are remembered, and a clock that stands still gives nothing."""
    now = [0.0]
    buckets = Buckets(Rate(2, 0.5), lambda: now[0])
    for number in range(10_000):
        buckets.charge(str(number))
    assert len(buckets) == rates.MOST_REMEMBERED
    for _ in range(2):
        assert buckets.wait_s("a") == 0
        buckets.charge("a")
    assert buckets.wait_s("a") == 2.0
    now[0] = 2.0
    assert buckets.wait_s("a") == 0
    now[0] = -50.0
    assert buckets.wait_s("a") > 0
    assert (retry_after(0.01), retry_after(2.0), retry_after(2.1)) == ("1", "2", "3")


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3::4", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("testclient", "testclient"),
    ],
)
def test_one_device_may_have_a_whole_network(address, network):
    """IPv6 hands out 64 bits of addresses to one machine (RFC 4291, section 2.5.1): they count as one asker."""
    assert network_of(address) == network


@pytest.mark.parametrize("coding", ["gzip", "x-gzip", "GZIP"])
def test_a_packed_body_is_unpacked(push, bench, coding):
    """gzip, of several members too, as RFC 1952 has it."""
    body = pack(bench, "hall-air")
    assert push(gzip.compress(body), **{"Content-Encoding": coding}).status_code == 202
    halves = gzip.compress(body[:20]) + gzip.compress(body[20:])
    assert push(halves, **{"Content-Encoding": coding}).json()["repeated"] == 1


def test_a_bomb_is_not_unpacked(push):
    """A gigabyte of blanks in a megabyte of gzip is 413, and no more than a pack of it is ever unpacked."""
    bomb = gzip.compress(b" " * 50_000_000)
    assert len(bomb) < 100_000
    answer = push(bomb, **{"Content-Encoding": "gzip"})
    assert answer.status_code == 413


def test_other_codings_and_broken_ones_are_refused(push, bench):
    """An unknown coding is 415 and says which is known (RFC 9110, 12.5.3); half a gzip, or none, is 400."""
    answer = push(b"x", **{"Content-Encoding": "br"})
    assert (answer.status_code, answer.headers["accept-encoding"]) == (415, "gzip")
    whole = gzip.compress(pack(bench, "hall-air"))
    for body in (whole[:-9], whole[:5], b"plain", b"\x1f\x8b"):
        answer = push(body, **{"Content-Encoding": "gzip"})
        assert answer.status_code == 400, body
        assert "no whole gzip" in answer.json()["detail"]


def test_what_is_received_at_once_is_bounded():
    """Beyond the bound a body is told to come again, and room that was taken becomes free, however it ends."""
    held = push_body.Held(most=100)
    with held.room() as one:
        one.take(60)
        with held.room() as other:
            other.take(30)
            with pytest.raises(push_body.AnswerError) as refused:
                other.take(30)
        assert refused.value.status == 503
        assert held.now == 60
    assert held.now == 0


def test_a_full_disk_says_when_to_come_again(push, services, bench):
    """503 with Retry-After: the sender keeps its readings until then."""
    services.disk_full = True
    answer = push(pack(bench, "hall-air"))
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "30")


def test_whatever_is_sent_is_answered_and_never_with_a_fault_of_ours(client, bench):
    """Packs with bytes changed, cut and doubled, as JSON and CBOR, packed and not: one of the documented answers each,
    a document that says why, and nothing impossible is ever taken."""
    chance = random.Random(20261125)
    local = TestClient(client.app, base_url="http://127.0.0.1:8430", client=("127.0.0.1", 5))
    whole = pack(bench, "hall-air", "loft-air")
    seen = set()
    for _ in range(400):
        body = bytearray(whole)
        for _ in range(chance.randrange(4)):
            body[chance.randrange(len(body))] = chance.randrange(256)
        sent = bytes(body[: chance.choice([len(body), chance.randrange(1, len(body))])])
        kind = chance.choice([SENML, "application/senml+cbor"])
        headers = {"Authorization": f"Bearer {bench.token}", "Content-Type": kind}
        if chance.random() < 0.3:
            sent, headers["Content-Encoding"] = gzip.compress(sent)[: chance.randrange(10, 200)], "gzip"
        answer = local.post("/api/v1/readings", content=sent, headers=headers)
        seen.add(answer.status_code)
        assert answer.status_code in {202, 207, 400, 422}
        assert ("rejected" in answer.json()) or answer.json()["detail"]
    assert seen == {202, 207, 400, 422}
