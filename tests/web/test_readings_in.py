"""The way in for readings over HTTP."""

from __future__ import annotations

import json

import cbor2
import pytest

SENML = "application/senml+json"


@pytest.fixture
def push(client, bench):
    """Hand a body in with the right token and type, unless told otherwise."""

    def send(body, *, token=bench.token, content_type=SENML, **headers):
        given = {"Authorization": f"Bearer {token}"} if token else {}
        given |= {"Content-Type": content_type} if content_type else {}
        return client.post("/api/v1/readings", content=body, headers={**given, **headers})

    return send


def pack(bench, *, sensor: str = "hall-air", rh: float = 47.25) -> bytes:
    """Give a SenML pack of one reading, a minute from now."""
    base = {"bn": f"{sensor}/", "bt": bench.now_ms / 1000 + 60}
    return json.dumps(
        [base | {"n": "temperature", "u": "Cel", "v": 19.5}, {"n": "humidity", "u": "%RH", "v": rh}]
    ).encode()


def test_a_pack_is_stored_and_seen(push, client, bench):
    """What is accepted is stored before the answer comes, and shows in the newest figures."""
    answer = push(pack(bench))
    assert answer.status_code == 202
    assert answer.json() == {"stored": 2, "repeated": 0, "amended": 0, "rejected": 0, "rejections": []}
    figures = client.get("/api/v1/rooms/hall/latest").json()["figures"]
    assert {figure["quantity"]: figure["value"] for figure in figures}["rh_percent"] == 47.25


def test_the_same_pack_twice_is_stored_once(push, bench):
    """A sender that tries again after a lost answer does no harm; a changed value is an amendment."""
    push(pack(bench))
    assert push(pack(bench)).json()["repeated"] == 2
    assert push(pack(bench, rh=48.0)).json()["amended"] == 1


def test_bad_records_are_named_beside_the_good_ones(push, bench):
    """One impossible value and one stranger do not take the good records with them."""
    records = [
        *json.loads(pack(bench)),
        {"n": "humidity", "u": "%RH", "v": 260.0, "t": 1},
        {"bn": "stranger/", "n": "humidity", "u": "%RH", "v": 40.0},
    ]
    answer = push(json.dumps(records).encode())
    assert answer.status_code == 207
    assert answer.json()["stored"] == 2
    assert answer.json()["rejected"] == 2
    assert [(one["record"], one["reason"], one["sensor"]) for one in answer.json()["rejections"]] == [
        (2, "value out of range", "hall-air"),
        (3, "sensor belongs to no room", "stranger"),
    ]
    again = push(json.dumps(records).encode())
    assert (again.status_code, again.json()["repeated"], again.json()["rejections"]) == (
        207,
        2,
        answer.json()["rejections"],
    )


@pytest.mark.parametrize("body", [b"not json", b"{}", b"[]", b"[1]", b"\xff\xfe", b'[{"n":"a/humidity","bt":"now"}]'])
def test_what_cannot_be_read_at_all_is_400(push, body):
    """Rubbish gets a sentence and stores nothing."""
    answer = push(body)
    assert answer.status_code == 400
    assert answer.headers["content-type"] == "application/problem+json"
    assert "Nothing in this pack could be read" in answer.json()["detail"]
    assert [one["record"] for one in answer.json()["rejections"]] == [None]


@pytest.mark.parametrize(
    ("body", "reasons"),
    [
        (b'[{"n":"x","v":1e999}]', ["quantity not known"]),
        (b'[{"n":"humidity","v":"wet"}]', ["field of the wrong type"]),
        (b'[{"n":"stranger/humidity","u":"%RH","v":40}]', ["sensor belongs to no room"]),
    ],
)
def test_a_pack_of_which_nothing_can_be_taken_is_422(push, body, reasons):
    """It is a pack, and each record of it says why it was not taken."""
    answer = push(body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert [one["reason"] for one in answer.json()["rejections"]] == reasons
    assert answer.json()["where"] == "record 0"


@pytest.mark.parametrize("token", [None, "wrong", ""])
def test_without_the_token_nothing_gets_in(push, bench, token):
    """No token and a wrong one are both 401, with a challenge (RFC 6750)."""
    answer = push(pack(bench), token=token)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Bearer")


@pytest.mark.parametrize("header", ["Basic abc", "Bearer", "Bearer a b", "bearer\ttoken"])
def test_a_malformed_authorization_is_401(client, bench, header):
    """A header that is no bearer token is refused before anything is read."""
    answer = client.post("/api/v1/readings", content=b"[]", headers={"Authorization": header, "Content-Type": SENML})
    assert answer.status_code == 401


@pytest.mark.parametrize("content_type", [None, "application/json", "text/plain", "application/x-www-form-urlencoded"])
def test_another_type_of_body_is_415(push, bench, content_type):
    """Only SenML is taken, and the answer says in which forms."""
    answer = push(pack(bench), content_type=content_type)
    assert answer.status_code == 415
    assert answer.headers["accept-post"] == "application/senml+json, application/senml+cbor"


def test_a_pack_in_cbor_is_stored_as_one_in_json(push, client, bench):
    """The same pack in CBOR, declared as such, shows in the newest figures; declared as JSON it is no JSON."""
    labels = {"bn": -2, "bt": -3, "n": 0, "u": 1, "v": 2}
    records = json.loads(pack(bench, rh=48.5))
    body = cbor2.dumps([{labels[label]: value for label, value in record.items()} for record in records])
    assert push(body, content_type="application/senml+cbor").json()["stored"] == 2
    figures = client.get("/api/v1/rooms/hall/latest").json()["figures"]
    assert {figure["quantity"]: figure["value"] for figure in figures}["rh_percent"] == 48.5
    answer = push(body)
    assert answer.status_code == 400
    assert "not JSON" in answer.text


def test_the_type_may_carry_parameters(push, bench):
    """A charset after the type does no harm."""
    assert push(pack(bench), content_type=f"{SENML}; charset=utf-8").status_code == 202


def test_too_large_a_body_is_413_even_when_it_comes_in_chunks(push):
    """The limit counts what arrives, whether or not its length was declared."""

    def chunks():
        for _ in range(30):
            yield b" " * 50_000

    assert push(b" " * 1_500_000).status_code == 413
    answer = push(chunks())
    assert answer.status_code == 413
    assert "several smaller packs" in answer.json()["mend"]


def test_a_full_disk_is_503_with_the_remedy(push, services, bench):
    """A sender learns that its readings are not stored, and why, and may try again."""
    services.disk_full = True
    answer = push(pack(bench))
    assert answer.status_code == 503
    assert answer.json()["mend"] == "Make room on the disk."
