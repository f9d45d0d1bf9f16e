"""The adapter that asks a web address, over real connections; and its map of JSON Pointers."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import cbor2
import pytest
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
from adapters.framing.json_maps import JsonMap, found_at, steps_of
from adapters.http_poll import HttpPoll
from adapters.registry import check_settings
from ingest.clock import SystemClock

VALUES = {
    "/air/t": "temperature_f",
    "/air/rh": "rh_percent",
    "/probes/1/mc": {"sensor": "stack", "quantity": "wood_mc_percent"},
}
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
        (401, RefusedError, "it answers 401: not allowed. Check token_env or token_file"),
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
        ({"url": "http://me:pw@host/x"}, "secrets do not belong in the wiring file"),
        ({"values": {"air/t": "temperature_c"}}, "'air/t' is no JSON Pointer"),
        ({"values": {"/air~2t": "temperature_c"}}, "is no JSON Pointer"),
        ({"values": {"/t": "mood"}}, "'mood' is no quantity"),
        ({"values": {"/t": "temperature_c"}, "sensor": "a b"}, "'a b' cannot be a sensor's name"),
        ({"values": {"/t": {"name": "x"}}}, "is no meaning of '/t'"),
    ],
)
def test_settings_that_cannot_be_say_so(settings: dict[str, Any], message: str) -> None:
    """Address and map are checked before anything is asked."""
    with pytest.raises(SettingsError) as caught:
        adapter(80, **({"sensor": "loft"} | settings))
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
    decoded = JsonMap(VALUES, "loft").read(json.dumps(document).encode(), 0)
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
