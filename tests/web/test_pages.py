"""The pages as text: what they say, that they escape, and that they need nothing from elsewhere."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from dashboards.connections.gather import _pace
from dashboards.services import AdapterStatus

DEMO_PAGES = ["/", "/rooms/loft", "/rooms/hall", "/incidents", "/connections", "/mails", "/mails/1"]
CELLS = {"td", "th", "dt", "dd", "li"}
VOID = {"meta", "link", "br", "hr", "img", "input", "area", "base", "col", "embed", "source", "track", "wbr"}


class Outline(HTMLParser):
    """Reads a page: tags in order with their attributes, ids, and whether elements are closed as they were opened."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.crossed: list[str] = []
        self.text = ""

    def handle_starttag(self, tag, attrs):
        self.text += " " if tag in CELLS else ""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.crossed.append(tag)

    def handle_data(self, data):
        self.text += data

    @property
    def words(self) -> str:
        return " ".join(self.text.split()).replace("\u00a0", " ")


def outline(answer) -> Outline:
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    read = Outline()
    read.feed(answer.text)
    return read


@pytest.fixture
def full(services, bench):
    """A demonstration with something on every page."""
    services.demo_speed = 60.0
    incident = bench.incident(3, is_open=True)
    bench.put(services, incident, bench.incident(30, is_open=False))
    bench.refuse_notice(services, incident, "550 no such mailbox")
    trouble = "usb0: unplugged. Plug it in again."
    services.statuses = [
        AdapterStatus(
            "front",
            "serial_line",
            "serial line /dev/ttyUSB0",
            "waiting",
            3,
            12408,
            {"checksum wrong": 14},
            bench.now_ms,
            trouble,
            stated=("front-1, rh_percent: renewed every 60 s",),
            errors=4,
            per_hour=720.0,
            last_rejected="checksum wrong: [{&",
        ),
        AdapterStatus("quiet", "replay", "a file", "finished"),
    ]
    services.unassigned = {"passer-by": bench.now_ms - 120_000}
    services.caught = [bench.mail(1, html="<p>Hall</p>"), bench.mail(2, subject="Hall is back")]
    return services


@pytest.mark.parametrize("path", DEMO_PAGES)
def test_pages_are_whole_and_ask_only_for_our_own_files(client, full, path):
    """Elements nest, ids are unique, every file asked for is ours and is there, and nothing is inline."""
    answer = client.get(path)
    assert answer.status_code == 200
    page = outline(answer)
    assert page.crossed == []
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for tag, attrs in page.tags:
        assert not any(name.startswith("on") or name == "style" for name in attrs)
        assert tag != "style"
        if tag == "script":
            assert attrs["src"]
        for name in ("src", "href"):
            if name in attrs:
                assert re.match(r"/(?!/)|#", attrs[name])
        if tag in {"link", "script", "img", "iframe"}:
            assert client.get(attrs.get("src") or attrs["href"]).status_code == 200


def test_arrivals_show_what_sensors_say_of_themselves(client, full):
    """Accuracy, pace and purpose stand with the adapter that reads the sensor."""
    assert "<p>front-1, rh_percent: renewed every 60 s</p>" in client.get("/connections").text


def test_arrivals_show_how_each_adapter_fares(client, full):
    """Readings and their pace, failures, restarts, and what of the last rejection arrived, as text."""
    text = client.get("/connections").text
    assert "<code>checksum wrong: [{&amp;</code>" in text
    for said in ("about 12 a minute", "failed 4 times", "restarted 3 times"):
        assert said in text


@pytest.mark.parametrize(
    ("per_hour", "said"),
    [(None, ""), (0.0, "none in the last hour"), (6.0, "about 6 an hour"), (7_200.0, "about 2 a second"),
     (99.6, "about 100 an hour"), (150.0, "about 2.5 a minute"), (1e7, "about 2778 a second")],
)  # fmt: skip
def test_a_pace_is_told_in_the_unit_that_keeps_it_short(per_hour, said):
    """By the hour while that is below a hundred, then by the minute, then by the second."""
    assert _pace(per_hour) == said


@pytest.mark.parametrize("path", DEMO_PAGES)
def test_hostile_text_stays_text(client, full, bench, path):
    """Whatever people, sensors and mails say is printed and never becomes markup, in pages and in drawings."""
    full.held_site = bench.hostile_site()
    full.unassigned = {bench.hostile: bench.now_ms}
    full.caught = [bench.mail(1, subject=bench.hostile, html=bench.hostile)]
    full.statuses = [
        AdapterStatus(
            bench.hostile,
            "x",
            bench.hostile,
            bench.hostile,
            1,
            1,
            {bench.hostile: 1},
            None,
            bench.hostile,
            stated=(bench.hostile,),
            last_rejected=bench.hostile,
        )
    ]
    bench.put(full, bench.incident(1, is_open=True, reason=bench.hostile))
    answer = client.get(path)
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    page = outline(answer)
    assert page.crossed == []
    assert all(attrs.get("src") for tag, attrs in page.tags if tag == "script")
    assert 'alert("x")' in page.text


def test_the_overview_says_each_room_in_words_and_figures(client):
    """State, five figures of the air, wood moisture, age and the window chart are in the page itself."""
    page = outline(client.get("/"))
    for said in (
        "Every room",
        "in range",
        "20.0 °C",
        "45.0 %",
        "gr/lb",
        "Wood MC",
        "Last reading just now",
        "No readings yet",
    ):
        assert (said in page.words) is (said != "Every room"), said
    assert "Cellar: not known." in page.words
    assert "2 rooms are in range." in page.words
    assert sum(attrs.get("class") == "window-chart" for tag, attrs in page.tags if tag == "svg") == 3


def test_ages_come_from_the_site_clock(client, services):
    """An hour later by the site's clock the figures are an hour old, whatever this computer's clock says."""
    services.clock.step_wall(3_600_000)
    assert "Old figures: measured 1 hour ago" in outline(client.get("/")).words


def test_times_are_told_in_the_zone_of_the_site(client):
    """12:20 UTC is 13:20 in Berlin in January."""
    assert "As of Thu 8 Jan 2026, 13:20 CET" in outline(client.get("/")).words


def test_a_room_page_tells_where_it_is_outside(client, services, bench):
    """The bound that is passed is marked in words beside the figure."""
    services.write(bench.air("hall-air", bench.now_ms + 60_000, 18.0, 58.0))
    page = outline(client.get("/rooms/hall"))
    assert "RH 30 to 50 % 58.0 % outside" in page.words
    assert "leaving range" in page.words


def test_fahrenheit_is_kept_from_page_to_page(client):
    """Asked for in °F, figures, bounds, axis and plan are in °F, and so are the pages that links lead to."""
    page = outline(client.get("/rooms/loft?units=us"))
    assert "Temperature 60.8 to 75.2 °F 68.0 °F" in page.words
    assert "Temperature, °F" in page.words
    assert any(attrs.get("href") == "/incidents?units=us" for _, attrs in page.tags)
    plan = next(json.loads(attrs["data-plan"]) for _, attrs in page.tags if "data-plan" in attrs)
    temperature = next(one for one in plan["quantities"] if one["name"] == "temperature_c")
    assert (temperature["unit"], temperature["times"], temperature["plus"]) == ("°F", pytest.approx(1.8), 32.0)


def test_history_follows_span_and_quantities_without_scripts(client):
    """The form's own address gives the table for that span and those quantities."""
    page = outline(client.get("/rooms/loft?span=3d&show=dew_point_c&show=nonsense"))
    assert "When Dew point, °C Coverage" in page.words
    # The last reading at 23:00 covers three steps of five minutes; then there are no readings until 03:05.
    assert re.search(r"Mon 5 Jan, 18:00 to Tue 6 Jan, 00:00 [−\d].+? 88 %", page.words)
    assert re.search(r"Tue 6 Jan, 00:00 to Tue 6 Jan, 06:00 [−\d].+? 49 %", page.words)
    checked = [attrs["value"] for tag, attrs in page.tags if tag == "input" and "checked" in attrs]
    assert checked == ["3d", "dew_point_c"]


def test_the_past_is_shown_up_to_the_instant_asked_for(client):
    """Charts, table and plan end at that instant and say so; the figures of now stay those of now."""
    page = outline(client.get("/rooms/loft?span=1d&until=2026-01-07T12:00"))
    assert "The air against the window: 24 hours up to Wed 7 Jan 2026, 12:00 CET" in page.words
    # The bench's air is 20 °C + sin(step / 46): steps 305 and 306 lie in the last ten minutes before that instant.
    assert "At Wed 7 Jan 2026, 12:00 CET: 20.4 °C, 43.6 % RH" in page.words
    assert "In the 24 hours before temperature between" in page.words
    assert "Tue 6 Jan 2026, 12:00 CET to Wed 7 Jan 2026, 12:00 CET" in page.words
    assert "Temperature 20.0 °C RH 45.0 %" in page.words
    plan = next(json.loads(attrs["data-plan"]) for _, attrs in page.tags if "data-plan" in attrs)
    assert plan["to"] - plan["from"] == 86_400_000
    assert plan["to"] == 1_767_783_600_000  # 2026-01-07T11:00:00Z
    assert "then" in page.words


def test_one_walks_through_the_past_by_links(client):
    """Earlier, later and back to now lead where they say, keeping span, quantities and units."""
    now = outline(client.get("/rooms/loft?span=1d&show=dew_point_c&units=us"))
    assert "Later" not in now.words
    earlier = link_with(now, "until=")
    assert earlier == "/rooms/loft?span=1d&until=2026-01-07T13:20&show=dew_point_c&units=us#history"
    page = outline(client.get(earlier))
    assert link_with(page, "until=2026-01-06T13:20")
    back = "/rooms/loft?span=1d&show=dew_point_c&units=us#history"
    assert [attrs["href"] for tag, attrs in page.tags if tag == "a" and attrs.get("href") == back] == [back] * 3
    assert link_with(page, "units=si") == "/rooms/loft?span=1d&until=2026-01-07T13%3A20&show=dew_point_c&units=si"


def test_a_day_chosen_in_the_form_is_shown_from_midnight_to_midnight(client):
    """The date field needs no script: the day it sends is shown whole, by its name."""
    page = outline(client.get("/rooms/hall?until=&span=1d&day=2026-01-06"))
    assert "24 hours up to the end of Tue 6 Jan 2026" in page.words
    plan = next(json.loads(attrs["data-plan"]) for _, attrs in page.tags if "data-plan" in attrs)
    assert (plan["from"], plan["to"]) == (1_767_654_000_000, 1_767_740_400_000)  # midnights of Berlin
    assert ("2026-01-06", "2026-01-08") in [(a.get("value"), a.get("max")) for _, a in page.tags]


def test_incidents_of_the_past_stand_beside_its_chart(client, full, bench):
    """A stretch of the past lists what was going on in it, and each incident leads to the air of its time."""
    page = outline(client.get("/rooms/hall?span=1d&until=2026-01-07T12:00"))
    assert incident_ids(page) == ["incident-i30"]
    assert "Incidents in this stretch" in page.words
    there = link_with(page, "span=6h")
    assert there == "/rooms/hall?span=6h&until=2026-01-07T11:00#history"
    assert incident_ids(outline(client.get(there))) == ["incident-i30"]


def test_a_record_that_has_stopped_leads_to_its_newest_readings(client, services):
    """A year later the page says of when the newest reading is, and the link shows it; there the hint is gone."""
    services.clock.step_wall(365 * 86_400_000)
    page = outline(client.get("/rooms/hall"))
    assert "The newest reading of this room is of Thu 8 Jan 2026, 13:20 CET. To the newest readings" in page.words
    assert "Old figures: measured on Thu 8 Jan 2026" in page.words
    there = outline(client.get(link_with(page, "until=")))
    assert "At Thu 8 Jan 2026, 13:21 CET: 18.0 °C" in there.words
    assert "To the newest readings" not in there.words
    assert "The newest reading" not in outline(client.get("/rooms/cellar")).words


def test_incidents_are_told_with_their_length_and_worst(client, full):
    """What is going on stands apart from what is over, with when, for how long and why."""
    page = outline(client.get("/incidents"))
    assert "Hall: out of range serious active" in page.words
    assert "since 10:20 · 3 hours · The air at that time RH above 50 %." in page.words
    assert "yesterday 07:20 to 07:50 · 30 minutes · The air at that time RH above 50 %." in page.words


def incident_ids(page) -> list[str]:
    return [attrs["id"] for _, attrs in page.tags if (attrs.get("id") or "").startswith("incident-")]


def link_with(page, part: str) -> str:
    return next(attrs["href"] for tag, attrs in page.tags if tag == "a" and part in (attrs.get("href") or ""))


def test_incidents_page_leads_to_older_ones_and_back(client, services, bench):
    """Fifty to a page, a link to those before; a page further back says nothing of what is going on, and leads back."""
    bench.put(services, *(bench.incident(number, is_open=False) for number in range(1, 61)))
    page = outline(client.get("/incidents"))
    further = outline(client.get(link_with(page, "after=")))
    first, rest = incident_ids(page), incident_ids(further)
    assert (len(first), len(rest)) == (50, 10)
    assert not set(first) & set(rest)
    assert "Active" in page.words
    assert "Active" not in further.words
    assert re.search(r'<a href="/incidents">The newest</a>', client.get(link_with(page, "after=")).text)


def test_incidents_that_opened_at_one_instant_are_not_lost_between_pages(client, services, bench):
    """Sixty sensors fall silent in one round: wherever a page ends, every incident is on one of the pages."""
    together = [replace(bench.incident(5, is_open=False), id=f"t{number}") for number in range(60)]
    bench.put(services, bench.incident(1, is_open=False), *together, bench.incident(9, is_open=False))
    address, seen = "/incidents", []
    for _ in range(3):
        page = outline(client.get(address))
        seen += incident_ids(page)
        if "Older ones" not in page.words:
            break
        address = link_with(page, "after=")
    assert len(seen) == len(set(seen)) == 62


def test_incidents_of_one_room(client, services, bench):
    """The form and the link of a room's page lead to that room's incidents only, page after page."""
    halls = (bench.incident(number, is_open=False) for number in range(1, 61))
    lofts = (replace(bench.incident(number, is_open=False, room="loft"), id=f"l{number}") for number in (2, 3))
    bench.put(services, *halls, *lofts)
    address = link_with(outline(client.get("/rooms/loft")), "/incidents?room=loft")
    page = outline(client.get(address))
    assert incident_ids(page) == ["incident-l2", "incident-l3"]
    assert ("option", {"value": "loft", "selected": None}) in page.tags
    older = link_with(outline(client.get("/incidents?room=hall")), "after=")
    assert "room=hall" in older
    assert len(incident_ids(outline(client.get(older)))) == 10


def test_arrivals_tells_who_comes_who_is_turned_away_and_what_does_not_get_out(client, full):
    """Adapters with their rejections and errors, unassigned, and refused notices each have their line."""
    words = outline(client.get("/connections")).words
    for said in (
        "restarted 3 times",
        "checksum wrong: 14",
        "Plug it in again.",
        "passer-by 2 minutes ago",
        "550 no such mailbox",
        "refused",
    ):
        assert said in words


def test_caught_mail_is_shown_in_a_frame_that_can_do_nothing(client, full, bench):
    """The frame is sandboxed, and the mail's own answer forbids scripts, requests and other sites' frames."""
    full.caught = [bench.mail(1, html=bench.hostile)]
    frame = next(attrs for tag, attrs in outline(client.get("/mails/1")).tags if tag == "iframe")
    # The page may measure how tall the mail is; without allow-scripts nothing in the mail can do anything with that.
    assert frame["sandbox"] == "allow-same-origin"
    letter = client.get(frame["src"])
    assert letter.text == bench.hostile
    policy = letter.headers["content-security-policy"]
    assert policy.startswith("sandbox allow-same-origin;")
    assert "script-src" not in policy
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'self'" in policy
    assert letter.headers["x-frame-options"] == "SAMEORIGIN"


def test_a_real_site_has_no_caught_mail_and_no_banner(client):
    """Only a demonstration says that it is one, and only it catches mail."""
    assert "demonstration" not in outline(client.get("/")).words
    assert "Mail" not in outline(client.get("/")).words
    assert client.get("/mails").status_code == 404
    assert client.get("/mails/1/html").status_code == 404


def test_the_banner_says_how_fast_time_runs(client, full):
    """In a demonstration every page says that all is invented and how fast its clock runs."""
    for path in DEMO_PAGES:
        assert "all of it is invented, and time runs 60 times faster." in outline(client.get(path)).words


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/rooms/attic", 404, "The rooms are: loft, hall, cellar."),
        ("/nothing", 404, "There is nothing at this address."),
        ("/incidents?after=soon", 400, "This is no place in the list."),
        ("/incidents?severity=awful", 400, "They are: slight, serious, severe."),
        ("/incidents/none", 404, "There is no such incident"),
        ("/incidents?room=attic", 404, "The rooms are: loft, hall, cellar."),
        ("/rooms/loft?until=soon", 400, "until='soon' is not an instant."),
        ("/rooms/loft?day=2026", 400, "Write it as 2026-01-31."),
        ("/mails/99", 404, "There is no caught mail number 99."),
        ("/mails/x", 400, "number"),
    ],
)
def test_a_wrong_address_gets_a_page_in_words(client, full, path, status, says):
    """A person who asks wrongly reads a sentence, not JSON."""
    answer = client.get(path)
    assert answer.status_code == status
    assert says in outline(answer).words


def test_a_site_without_rooms_says_what_to_do(client, services):
    """An empty site is a page as well."""
    services.held_site = type(services.held_site)("Empty")
    assert "This site has no rooms yet." in outline(client.get("/")).words


def test_a_sensor_that_never_said_anything_does_not_stand_for_its_room(services, client, bench) -> None:
    """A new sensor, listed first and not missed yet: the room shows the figures of the one that is heard."""
    from dataclasses import replace

    from ingest.site.places import Sensor

    site = services.held_site
    services.held_site = replace(site, sensors=(Sensor("new-one", "hall"), *site.sensors))
    card = next(part for part in client.get("/").text.split("<article") if "/rooms/hall" in part)
    assert "othing heard yet" not in card


def test_pages_travel_packed_and_live_events_do_not(client):
    """A phone on a slow line gets a fraction of the bytes; events are not held back to be packed."""
    packed = client.get("/", headers={"Accept-Encoding": "gzip"})
    plain = client.get("/", headers={"Accept-Encoding": "identity"})
    assert packed.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert int(packed.headers["content-length"]) < len(plain.content) / 3
    assert packed.text.count("<article") == plain.text.count("<article") > 0


def test_a_static_file_is_one_of_ours_by_name(client):
    """Files of pages and of static/ are given, kept for good when asked for by digest; no path leads elsewhere."""
    kept = client.get("/static/room/time_chart.js?v=1")
    assert kept.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert client.get("/static/paper.css").headers["cache-control"] == "no-cache"
    for name in ("../app.py", "room/gather.py", "room/page.html", "%2e%2e/app.py", "nothing.css"):
        assert client.get(f"/static/{name}").status_code == 404, name
