"""The adapter that asks a web address, over real connections; and its map of JSON Pointers."""

from __future__ import annotations

import asyncio
import json
import ssl
from pathlib import Path
from typing import Any

import cbor2
import pytest
import trustme
from hypothesis import given
from hypothesis import strategies as st

from adapters.conformance import CHECKS, Check, Specimen
from adapters.contract import (
    QUANTITIES,
    LostDeviceError,
    ProtocolError,
    RefusedError,
    SettingsError,
    TransientError,
    Why,
)
from adapters.framing.json_maps import found_at, map_of, steps_of
from adapters.http_poll import HttpPoll
from adapters.registry import check_settings
from ingest.clock import SystemClock

VALUES = {
    "/air/t": "temperature_f",
    "/air/rh": "rh_percent",
    "/probes/1/mc": {"sensor": "stack", "quantity": "wood_mc_percent"},
}
NOW_MS = 1_764_064_900_000
DOCUMENT = b'{"air":{"t":68,"rh":"47.5"},"probes":[{"mc":9},{"mc":8.25}],"name":"x"}'


def adapter(port: int, **settings: Any) -> HttpPoll:
    """Make the adapter as the daemon does."""
    given = {"url": f"http://127.0.0.1:{port}/status.json", "interval_s": 0.1, "timeout_s": 1.0} | settings
    return HttpPoll(check_settings(HttpPoll, given), SystemClock())


async def test_values_are_taken_from_the_document_by_the_map(web: Any, listen: Any) -> None:
    """Numbers and numbers in quotes, in a list and in an object, in another unit; the token is sent along."""
    web.body = DOCUMENT
    heard = listen(adapter(web.port, values=VALUES, sensor="loft", token="let-me-in"))
    await heard.count(6)
    await heard.stop()
    assert [(r.sensor, r.quantity, r.value) for r in heard.readings[:3]] == [
        ("loft", "temperature_c", 20.0), ("loft", "rh_percent", 47.5), ("stack", "wood_mc_percent", 8.25),
    ]  # fmt: skip
    assert "authorization: bearer let-me-in" in web.seen[0].lower()


def _read(body: str, **form: Any) -> list[Any]:
    """Read a document by a map; readings as (sensor, value, instant), rejections by their reason."""
    values = form.pop("values", {"/t": "temperature_c"})
    decoded = map_of({"values": values, "sensor": "loft"} | form).read(body.encode(), NOW_MS)
    return [(r.sensor, r.value, r.at_ms) for r in decoded.readings] + [r.reason for r in decoded.rejections]


@pytest.mark.parametrize(
    ("told", "form"),
    [
        ('"2025-11-25T10:00:00Z"', {}),
        ("1764064800", {}),
        ("1764064800000", {}),
        ('"1764064800.0"', {"time_format": "unix"}),
        ("1764064800000", {"time_format": "unix_ms"}),
        ('" 25.11.2025 12:00"', {"time_format": "%d.%m.%Y %H:%M", "zone": "Europe/Helsinki"}),
    ],
)
def test_the_instant_may_stand_in_the_document(told: str, form: dict[str, Any]) -> None:
    """One instant, in the ways in which devices say it; it is then the sensor's own."""
    assert _read(f'{{"t":20,"at":{told}}}', time="/at", **form) == [("loft", 20.0, 1_764_064_800_000)]


@pytest.mark.parametrize("told", ["null", '"now"', '"2025-11-25T10:00:00"', "true", "-5", "1e300", "{}"])
def test_an_instant_that_is_none_makes_no_reading_of_now(told: str) -> None:
    """A value whose time cannot be read is not filed under the time of arrival."""
    assert _read(f'{{"t":20,"at":{told}}}', time="/at") == [Why.TIME]
    assert _read('{"t":20}', time="/at") == [Why.TIME]


def test_of_an_hour_that_comes_twice_the_one_nearer_to_the_arrival_is_meant() -> None:
    """03:30 in Helsinki on 25 October 2026 was at 00:30 and at 01:30 UTC."""
    form = map_of({"values": {"/t": "temperature_c"}, "sensor": "a", "time": "/at", "zone": "Europe/Helsinki"})
    first_ms = 1_792_888_200_000
    for told_ms in (first_ms, first_ms + 3_600_000):
        ((reading,), _) = form.read(b'{"t":20,"at":"2026-10-25T03:30"}', told_ms + 5_000)
        assert reading.at_ms == told_ms


def test_sensors_may_be_named_by_the_document_and_values_scaled() -> None:
    """What a gateway says of several sensors at once: names, tenths, and an instant for each."""
    body = '{"id":"roof","n":[{"id":"a b"},{"id":7}],"rh":472,"s":1764064800}'
    values = {
        "/rh": {"quantity": "rh_percent", "sensor_at": "/id", "scale": 0.1, "offset": 0.05, "time": "/s"},
        "/n/0": {"quantity": "rh_percent", "sensor_at": "/n/0/id"},
        "/n/1": {"quantity": "rh_percent", "sensor_at": "/n/1/id"},
        "/n": {"quantity": "rh_percent", "sensor_at": "/none"},
    }
    found = _read(body, values=values)
    assert found == [("roof", pytest.approx(47.25), 1_764_064_800_000), Why.NAME, Why.NAME, Why.NO_SENSOR]


async def test_an_unchanged_document_is_asked_for_by_its_tag(web: Any, listen: Any) -> None:
    """Where the document says when, 304 is no new reading and no trouble; where it does not, no tag is sent."""
    web.body, web.extra = b'{"t":20,"at":1764064800}', 'ETag: "a1"\r\nSet-Cookie: who=me\r\n'
    asked = adapter(web.port, values={"/t": "temperature_c"}, time="/at", sensor="loft", interval_s=0.1)
    heard = listen(asked)
    await heard.count(1)
    web.status, web.body = 304, b""
    before = len(web.seen)
    async with asyncio.timeout(5):
        while len(web.seen) < before + 5:
            await asyncio.sleep(0.01)
    assert not heard.task.done()
    web.status, web.body = 200, b'{"t":21,"at":1764064860}'
    async with asyncio.timeout(5):
        while heard.readings[-1].value != 21.0:
            await asyncio.sleep(0.01)
    await heard.stop()
    assert {r.value for r in heard.readings} == {20.0, 21.0}
    assert 'if-none-match: "a1"' in web.seen[before + 1].lower()
    assert asked.health.rejected == {}
    assert not any("cookie:" in head.lower() for head in web.seen)
    web.seen.clear()
    heard = listen(adapter(web.port, values={"/t": "temperature_c"}, sensor="loft"))
    await heard.count(2)
    await heard.stop()
    assert not any("if-none-match" in head.lower() for head in web.seen)


async def test_a_server_that_says_unchanged_to_who_did_not_ask_is_in_trouble(web: Any, listen: Any) -> None:
    """304 without a tag of ours is no answer."""
    web.status = 304
    with pytest.raises(SettingsError, match="it answers 304"):
        await listen(adapter(web.port, values=VALUES, sensor="loft")).task


@pytest.mark.parametrize(
    ("secrets", "head"),
    [
        ({"token": "let-me-in", "token_header": "X-Api-Key"}, "x-api-key: let-me-in"),
        ({"login": "me", "password": "pa:ss"}, "authorization: basic bwu6cge6c3m="),  # base64 of "me:pa:ss"
    ],
)
async def test_secrets_go_where_the_server_wants_them(
    web: Any, listen: Any, secrets: dict[str, str], head: str
) -> None:
    """A token in a header of its own, or a login with a password; neither is shown by describe()."""
    web.body = DOCUMENT
    asked = adapter(web.port, values=VALUES, sensor="loft", **secrets)
    heard = listen(asked)
    await heard.count(1)
    await heard.stop()
    assert head in web.seen[0].lower()
    assert not any(secret in asked.describe() for secret in ("let-me-in", "pa:ss"))


async def test_over_tls_only_a_certificate_that_is_trusted_counts(tmp_path: Path, listen: Any, web: Any) -> None:
    """The authority named with ca_file is trusted, the system's own are not enough, and the name must fit."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    web.body = DOCUMENT
    await web.end()
    await web.start(context)
    url = f"https://127.0.0.1:{web.port}/status.json"
    heard = listen(adapter(0, url=url, ca_file=str(tmp_path / "ca.pem"), values=VALUES, sensor="loft"))
    await heard.count(1)
    await heard.stop()
    with pytest.raises(RefusedError, match="its certificate is not to be trusted"):
        await listen(adapter(0, url=url, values=VALUES, sensor="loft")).task
    elsewhere = url.replace("127.0.0.1", "localhost")
    with pytest.raises(RefusedError, match="its certificate is not to be trusted"):
        await listen(adapter(0, url=elsewhere, ca_file=str(tmp_path / "ca.pem"), values=VALUES, sensor="x")).task


@pytest.mark.parametrize("form", ["json", "cbor"])
async def test_without_a_map_the_answer_is_a_pack(web: Any, listen: Any, form: str) -> None:
    """SenML in JSON or, declared as such, in CBOR."""
    web.kind = f"application/senml+{form}"
    pack = [{"bn": "loft/", "n": "humidity", "u": "%RH", "v": 47.0}]
    web.body = (
        json.dumps(pack).encode() if form == "json" else cbor2.dumps([{-2: "loft/", 0: "humidity", 1: "%RH", 2: 47.0}])
    )
    heard = listen(adapter(web.port))
    await heard.count(1)
    await heard.stop()
    assert heard.readings[0][:3] == ("loft", "rh_percent", 47.0)


async def test_what_is_missing_wrong_or_a_gap_is_told_apart(web: Any, listen: Any) -> None:
    """null is a gap without a word; a path that leads nowhere, a wrong type and 200 % are counted by reason."""
    web.body = b'{"t":21,"gap":null,"gap2":"n/a","rh":200,"b":true,"big":1e999}'
    values = {
        "/t": "temperature_c",
        **{
            f"/{name}": {"sensor": name, "quantity": "rh_percent"} for name in ("gap", "gap2", "rh", "b", "none", "big")
        },
    }
    asked = adapter(web.port, values=values, sensor="loft", interval_s=60.0)
    heard = listen(asked)
    await heard.count(1)
    await asyncio.sleep(0.05)
    await heard.stop()
    assert len(heard.readings) == 1
    assert asked.health.rejected == {Why.OUT_OF_RANGE: 1, Why.WRONG_TYPE: 1, Why.NO_VALUE: 1, Why.NOT_FINITE: 1}


@pytest.mark.parametrize(
    ("status", "error", "message"),
    [
        (401, RefusedError, "it answers 401: not allowed. Check the secrets given by _env and _file"),
        (302, SettingsError, "it answers 302 and sends us elsewhere"),
        (404, ProtocolError, "it answers 404: there is nothing there"),
        (503, TransientError, "it answers 503"),
    ],
)
async def test_each_answer_that_is_none_says_what_to_do(
    web: Any, listen: Any, status: int, error: type[Exception], message: str
) -> None:
    """A wrong token, a detour, a wrong address and a server in trouble are four different mistakes."""
    web.status, web.extra = status, "Location: http://127.0.0.1:1/elsewhere\r\n"
    with pytest.raises(error, match=message):
        await listen(adapter(web.port, values=VALUES, sensor="loft")).task
    assert len(web.seen) == 1


async def test_an_answer_without_end_or_in_drops_is_cut_off(web: Any, listen: Any) -> None:
    """More than a megabyte is refused, and a server that sends an octet now and then is timed out as a whole."""
    web.body = b" " * 3_000_000
    with pytest.raises(ProtocolError, match="larger than 1000000 bytes"):
        await listen(adapter(web.port, values=VALUES, sensor="loft", timeout_s=10.0)).task
    web.body, web.dribble_s = DOCUMENT, 0.1
    with pytest.raises(LostDeviceError, match=r"no answer within 0\.5 s"):
        await listen(adapter(web.port, values=VALUES, sensor="loft", timeout_s=0.5)).task


async def test_answers_in_which_nothing_is_readable_become_an_error(web: Any, listen: Any) -> None:
    """A page instead of data is not asked for ever in silence."""
    web.body = b"<html>please log in</html>"
    with pytest.raises(ProtocolError, match=r"nothing could be read in 3 answers.*not JSON: <html>please"):
        await listen(adapter(web.port, values=VALUES, sensor="loft")).task


async def test_a_server_that_goes_and_comes_back(web: Any, listen: Any) -> None:
    """Ten times gone in the middle: a typed error each time, and a new run works at once."""
    web.body = DOCUMENT
    for _ in range(10):
        heard = listen(adapter(web.port, values=VALUES, sensor="loft"))
        await heard.count(3)
        await web.end()
        with pytest.raises(LostDeviceError, match="it cannot be reached"):
            await asyncio.wait_for(heard.task, 5)
        await web.start()


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"url": "status.json"}, "'status.json' is no web address"),
        ({"url": "file:///etc/passwd"}, "is no web address"),
        ({"url": "http://me:pw@host/x"}, "secrets do not belong in the settings file"),
        ({"values": {"air/t": "temperature_c"}}, "'air/t' is no JSON Pointer"),
        ({"values": {"/air~2t": "temperature_c"}}, "is no JSON Pointer"),
        ({"values": {"/t": "mood"}}, "'mood' is no quantity"),
        ({"values": {"/t": "temperature_c"}, "sensor": "a b"}, "'a b' cannot be a sensor's name"),
        ({"values": {"/t": {"name": "x"}}}, "is no meaning of '/t'"),
        ({"values": {"/t": {"quantity": "temperature_c", "sensor": "{place}"}}}, "there is no place {place}"),
        ({"values": {"/t": {"quantity": "temperature_c", "scale": "2"}}}, "scale '2' is no number"),
        ({"values": {"/t": "temperature_c"}, "time": "at"}, "'at' is no JSON Pointer"),
        ({"values": {"/t": "temperature_c"}, "zone": "Atlantis"}, "'Atlantis' is no time zone"),
        ({"values": {"/t": "temperature_c"}, "time_format": "%H"}, "does not say year, month and day"),
        ({"values": {"/t": "temperature_c"}, "sensor": None}, "'/t' has no sensor"),
        ({"token_header": "a b"}, "'a b' is no header"),
        ({"login": "me"}, "login and password belong together"),
        ({"login": "me", "password": "x", "token": "y"}, "both a token and a login are given"),
        ({"token": "a\r\nHost: b"}, "the token has characters that no header can hold"),
    ],
)
def test_settings_that_cannot_be_say_so(settings: dict[str, Any], message: str) -> None:
    """Address and map are checked before anything is asked."""
    with pytest.raises(SettingsError) as caught:
        adapter(80, **{key: value for key, value in ({"sensor": "loft"} | settings).items() if value is not None})
    assert message in str(caught.value)


RFC6901 = json.loads('{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\\\j":5,"k\\"l":6," ":7,"m~n":8}')


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC6901), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3),
        ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_pointers_lead_where_the_rfc_says(pointer: str, value: Any) -> None:
    """RFC 6901, section 5: the example document and its twelve pointers."""
    assert found_at(RFC6901, steps_of(pointer)) == value


@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/00", "/foo/1e0", "/foo/bar", "/nothing", "/foo/99999999999"]
)
def test_pointers_that_lead_nowhere_say_so(pointer: str) -> None:
    """Beyond the end, no index, no such member (RFC 6901, section 4)."""
    with pytest.raises(LookupError):
        found_at(RFC6901, steps_of(pointer))


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda kids: (
            st.lists(kids, max_size=3)
            | st.dictionaries(st.sampled_from(["air", "t", "rh", "probes", "mc"]), kids, max_size=3)
        ),
        max_leaves=8,
    )
)
def test_no_document_can_do_harm(document: Any) -> None:
    """Whatever stands where, it is a reading in range, a gap or a reason."""
    decoded = map_of({"values": VALUES, "sensor": "loft"}).read(json.dumps(document).encode(), 0)
    for reading in decoded.readings:
        assert QUANTITIES[reading.quantity].minimum <= reading.value <= QUANTITIES[reading.quantity].maximum


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(check: Check, web: Any) -> None:
    """The kit that every adapter must pass."""
    web.body = DOCUMENT
    settings = {"url": f"http://127.0.0.1:{web.port}/x", "interval_s": 0.1, "values": VALUES, "sensor": "loft"}
    warm = HttpPoll(check_settings(HttpPoll, settings), SystemClock()).readings()
    await anext(warm)
    await warm.aclose()  # type: ignore[attr-defined]
    await check(Specimen(HttpPoll, settings, SystemClock(), absent=settings | {"url": "http://127.0.0.1:1/"}))
