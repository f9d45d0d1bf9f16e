"""The pages of what is within reach: who may ask for what, what the form says back, what is printed."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from dashboards.services import Assigned, DeviceKeyStatus, Reach, Sighting
from ingest.errors import InputError, RefusedError

SEEN = Sighting(
    "a1",
    "bluetooth",
    "A4:C1:38:00:00:01",
    "ATC 0001",
    figures={"temperature_c": 21.5, "rh_percent": 63.0, "signal_dbm": -60.0, "battery_percent": 84.0},
    moved={"temperature_c": 0.01, "rh_percent": 16.2},
    moving=True,
    names_itself=False,
    wiring='[[adapter]]\nname = "NAME IT"',
)
HEARD = Sighting("b2", "adapter", "hall-usb", "loft-9", figures={"wood_mc_percent": 8.5}, read_by="hall-usb")
HOUSED = Sighting("c3", "mqtt", "house/hall", "hall-air", figures={"number": 7.0}, room="hall")
LOCKED = Sighting("d4", "bluetooth", "A4:C1:38:00:00:02", "X", lacks="its key", wiring="lines")
NUMBER = Sighting("e5", "mqtt", "house/t", "house/t", names_itself=False, asks_quantity=True, figures={"number": 7.0})
OURS = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def reach(services, bench):
    """Services that have all of these within reach."""
    services.reach = Reach(True, ("serial ports", "Bluetooth"), (SEEN, HEARD, HOUSED, LOCKED, NUMBER), ("hci1: gone.",))
    return services


def assign(client, headers=OURS, **fields):
    """Send the form."""
    given = {"which": "a1", "room": "loft", "by": "Kay", "sensor": "loft-2", "place": "air", "title": ""} | fields
    return client.post("/find-sensors/assign", data=given, headers=headers, follow_redirects=False)


def words(text: str) -> str:
    """Give a page's text without its markup."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text.split("<main", 1)[1]))


def test_what_is_heard_is_told_with_figures_that_moved(client, reach):
    """Each with its name, way, figures, by how much they moved, signal, battery; those with a room stand apart."""
    said = words(client.get("/find-sensors").text).replace("\u00a0", " ")
    for wanted in (
        "Listening: serial ports, Bluetooth.",
        "ATC 0001 (to be named) rising now",
        "RH 63.0 % ▲ 16.2 points",
        "signal −60 dBm",
        "battery 84 %",
        "Heard by hall-usb",
        "Wood MC 8.5 %",
        "It cannot be read without its key.",
        "hci1: gone.",
    ):
        assert wanted in said, wanted
    assert "▲ 0.0" not in said
    assert "hall-air" in said.split("In a room already")[1]


def test_units_are_those_that_the_person_reads(client, reach):
    """In °F too, and links keep the choice."""
    text = client.get("/find-sensors?units=us").text
    assert "70.7" in words(text)
    assert "/find-sensors/assign?which=a1&amp;units=us" in text


def test_hostile_names_are_text(client, services, bench):
    """What came over the air is never markup."""
    services.reach = Reach(True, (), (Sighting("a", "bluetooth", bench.hostile, bench.hostile, note=bench.hostile),))
    for path in ("/find-sensors", "/find-sensors/assign?which=a"):
        assert "<script>alert" not in client.get(path).text


@pytest.mark.parametrize(
    ("site", "renews"),
    [(None, True), ("none", True), ("same-origin", True), ("cross-site", False), ("same-site", False)],
)
def test_a_page_on_the_internet_does_not_start_a_radio(client, reach, site, renews):
    """A picture on a stranger's page that points here shows what was found, and begins nothing."""
    client.get("/find-sensors", headers={"Sec-Fetch-Site": site} if site else {})
    assert reach.asked == [(renews, False)]


FOREIGN = [
    {},
    {"Origin": "https://stranger.example"},
    {"Origin": "null"},
    {"Origin": "http://127.0.0.1:9999"},
    {"Origin": "file://127.0.0.1:8430"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Sec-Fetch-Site": "none"},
    {"Origin": "http://127.0.0.1:8430", "Sec-Fetch-Site": "cross-site"},
]


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
@pytest.mark.parametrize("path", ["/find-sensors/assign", "/find-sensors/again"])
def test_a_form_of_another_page_is_refused(client, reach, headers, path):
    """What changes something must come from a page of ours: nothing is done for a stranger's, or for nobody's."""
    answer = client.post(path, data={"which": "a1", "room": "loft", "by": "x", "sensor": "y"}, headers=headers)
    assert answer.status_code == 403
    assert reach.assignments == []
    assert (True, True) not in reach.asked


@pytest.mark.parametrize("headers", [OURS, {"Origin": "http://127.0.0.1:8430"}, {"Origin": "null", **OURS}], ids=str)
def test_our_own_form_is_taken(client, reach, headers):
    """By its origin, or by what the browser says of it; the answer says what was done and leads to the room."""
    answer = assign(client, headers)
    assert answer.status_code == 200
    assert reach.assignments[0].sensor == "loft-2"
    assert reach.assignments[0].by == "Kay"
    assert "Loft 2 belongs to Loft now." in answer.text
    assert 'href="/rooms/loft"' in answer.text


def test_our_pages_let_their_forms_say_where_they_come_from(client, reach):
    """Without a referrer a browser would call the origin of a form null (Fetch standard, section 3.2)."""
    for path in ("/find-sensors", "/find-sensors/assign?which=a1"):
        assert client.get(path).headers["referrer-policy"] == "same-origin"


def test_a_mistake_comes_back_in_the_form_with_what_was_filled_in(client, reach):
    """The field is marked, the sentence said, and nothing must be typed again."""
    reach.refuses = InputError("there is no such room", where="room", mend="Choose one of the rooms.")
    answer = assign(client, room="attic", title="On the <beam>", place="wood")
    assert answer.status_code == 400
    assert "There is no such room. Choose one of the rooms." in answer.text
    assert re.search(r'<select id="room"[^>]* aria-invalid="true"', answer.text)
    assert 'value="On the &lt;beam&gt;"' in answer.text
    assert '<option value="wood" selected>' in answer.text


def test_what_is_gone_is_said(client, reach):
    """A sighting that is not there any more leads back; one that is refused says why."""
    assert client.get("/find-sensors/assign?which=zz", follow_redirects=False).headers["location"] == "/find-sensors"
    assert client.get("/find-sensors/assign", follow_redirects=False).status_code == 303
    assert client.get("/find-sensors/assign?which=c3", follow_redirects=False).status_code == 303
    reach.refuses = RefusedError("it is not within reach any more", where="sighting", mend="Go back.")
    answer = assign(client)
    assert answer.status_code == 403
    assert "it is not within reach any more" in answer.text


def test_lines_to_be_copied_are_shown_where_the_file_cannot_be_written(client, reach):
    """What is left to do by hand is said, with the lines."""
    reach.assigned = Assigned("loft-2", "loft", ("Nothing reads it yet:",), to_copy='[[adapter]]\nname = "loft-2"')
    text = assign(client).text
    assert "one thing is left" in text
    assert "[[adapter]]\nname = &#34;loft-2&#34;" in text


def test_a_number_asks_what_it_is(client, reach):
    """Only such a sighting asks; a sensor with a name of its own is not asked for one."""
    number, heard = (client.get(f"/find-sensors/assign?which={which}").text for which in ("e5", "b2"))
    assert 'name="quantity"' in number
    assert 'name="sensor"' in number
    assert 'name="quantity"' not in heard
    assert 'name="sensor"' not in heard
    assert '<option value="wood" selected>' in heard  # a moisture of wood hangs in the wood


def test_a_document_asks_what_each_of_its_numbers_is(client, reach):
    """A list for each, "leave out" first; a mistake comes back with what was chosen."""
    figures = {"/air/t": 70.7, "/air/<rh>": 47.2}
    document = replace(NUMBER, id="f6", figures=figures, asks_quantity=False, asks_each=tuple(figures))
    reach.reach = replace(reach.reach, sightings=(document,))
    asked = client.get("/find-sensors/assign?which=f6").text
    assert asked.count('<option value="">Leave out</option>') == 2
    assert "<code>/air/&lt;rh&gt;</code> 47.2" in asked
    assert 'name="quantity"' not in asked
    assert assign(client, which="f6", each0="temperature_f", each1="", each99="x", other="y").status_code == 200
    assert reach.assignments[-1].each == {"/air/t": "temperature_f", "/air/<rh>": ""}
    reach.refuses = InputError("two numbers are said to be the same", where="each", mend="Leave one out.")
    again = assign(client, which="f6", each0="temperature_f")
    assert again.status_code == 400
    assert '<option value="temperature_f" selected>' in again.text


def test_too_long_a_form_and_no_form_are_refused(client, reach):
    """Bounded like everything that comes in."""
    assert assign(client, title="x" * 20_000).status_code == 413
    answer = client.post("/find-sensors/assign", json={"which": "a1"}, headers=OURS)
    assert answer.status_code == 415


def test_after_half_an_hour_one_asks_again(client, reach):
    """The page says that it has stopped; the button begins anew."""
    reach.reach = Reach(False, tired=True)
    text = client.get("/find-sensors").text
    assert "open for half an hour" in text
    answer = client.post("/find-sensors/again", headers=OURS, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/find-sensors")
    assert reach.asked[-1] == (True, True)


def test_keys_of_devices_are_listed(client, reach, bench):
    """Who has one, what it may write, when it was used last; never the key."""
    reach.keys = [
        DeviceKeyStatus("hall-board", ("hall-*",), bench.now_ms, bench.now_ms - 120_000),
        DeviceKeyStatus("old", ("x",), bench.now_ms, None, bench.now_ms),
    ]
    said = words(client.get("/find-sensors").text)
    assert "hall-board may write hall-* used 2 minutes ago" in said
    assert "old may write x never used · revoked 13:20" in said


def test_an_office_has_no_such_page_and_a_demonstration_says_why(client, services):
    """An office does not look around; a demonstration touches nothing of the computer that it runs on."""
    services.looks_around = False
    assert client.get("/find-sensors").status_code == 404
    assert "/find-sensors" not in client.get("/").text
    services.demo_speed = 60.0
    assert "looks at no port, no radio and no broker" in client.get("/find-sensors").text
