"""An incident's own page, what people do there, and the same for programs; in a real browser without scripts, too."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from typing import Any

import pytest
from playwright.sync_api import expect

from ingest.site.actor import SETTINGS
from ingest.site.boards import ORDINARY_OAK
from ingest.site.handling import Action
from ingest.site.incidents import Severity
from ingest.store.record.kinds import HANDLING

FORM = {"Content-Type": "application/x-www-form-urlencoded", "Origin": "http://127.0.0.1:8430"}


@pytest.fixture
def damp(services, bench) -> str:
    """A hall that has been too damp for five hours and still is; gives the incident's id."""
    services.held_site = replace(
        services.held_site,
        rooms=tuple(replace(room, boards=ORDINARY_OAK) for room in services.held_site.rooms),
    )
    with services.store.transaction() as work:
        work.save_site(services.held_site, at_ms=bench.now_ms, by=SETTINGS)
    for step in range(60):
        at_ms = bench.now_ms + step * 5 * bench.minute_ms
        services.clock.step_wall(5 * bench.minute_ms if step else 0)
        services.write(bench.air("hall-air", at_ms, 18.0, 66.0 + step % 3))
    [incident] = services.read.incidents(only_open=True)
    return incident.id


def words_of(text: str) -> str:
    """Give the words of a page."""
    bare = re.sub(r"<(style|script)[^>]*>.*?</\1>", " ", text, flags=re.DOTALL)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", bare)))


def do(client, incident: str, headers: dict[str, str] | None = None, **typed: str) -> Any:
    """Send the page's form."""
    sent = FORM if headers is None else headers
    return client.post(f"/incidents/{incident}/actions", data=typed, headers=sent, follow_redirects=False)


def test_the_page_says_how_bad_how_long_and_what_it_did_to_the_wood(client, services, damp):
    """Severity, excess over time, the wood by the model with its caution, a chart with its words, the journal."""
    words = words_of(client.get(f"/incidents/{damp}").text)
    assert "Hall : out of range" in words
    assert "severe" in words
    assert "somebody should go there now" in words
    assert re.search(r"more than \d+ %RH-hours", words)
    assert re.search(r"By the board model the 20 mm white oak, commercial has gained 0\.\d % MC so far", words)
    assert "measure the wood with a meter before you decide anything" in words
    assert "RH should be 30 to 50" in words
    number, head = services.read.record_head()
    assert f"number {number}, {head}" in words
    for line in services.read.history("incident", damp):
        assert line.hash in client.get(f"/incidents/{damp}").text


def test_taking_in_hand_quiet_closing_and_opening_again(client, services, damp):
    """Each button leads back to the page, which says who did what; the record has every step, and the name is kept."""
    assert do(client, damp, action="acknowledged", by="Anna", note="on my way").status_code == 303
    page = client.get(f"/incidents/{damp}").text
    assert "Anna acknowledged it" in words_of(page)
    assert 'value="Anna"' in page
    assert do(client, damp, action="muted", by="Anna", mute_for="4h").status_code == 303
    assert services.read.nouns(HANDLING, [damp])[damp].muted_until_ms == services.clock.now_ms() + 4 * 3_600_000
    assert do(client, damp, action="closed", by="Ben", note="window stays open today").status_code == 303
    closed = words_of(client.get(f"/incidents/{damp}").text)
    assert "closed manually, still active" in closed
    assert "Ben closed it manually" in closed
    assert "Reopen" in closed
    assert ">Acknowledge<" not in client.get(f"/incidents/{damp}").text
    assert do(client, damp, action="reopened", by="Ben").status_code == 303
    actions = [entry.body["action"] for entry in services.read.history("handling", damp)]
    assert actions == [one.value for one in (Action.ACKNOWLEDGED, Action.MUTED, Action.CLOSED, Action.REOPENED)]
    assert "active" in words_of(client.get("/incidents").text)


def test_what_cannot_be_done_is_said_and_what_was_typed_stays(client, damp):
    """Closing without a reason and nobody's name get the page back with the words in it, and nothing happens."""
    answer = do(client, damp, action="closed", by="Anna", note="  ")
    assert answer.status_code == 409
    assert "Closing manually needs a reason" in answer.text
    answer = do(client, damp, action="noted", by=" ", note="<b>wet</b> & sad")
    assert answer.status_code == 409
    assert "&lt;b&gt;wet&lt;/b&gt; &amp; sad</textarea>" in answer.text
    assert do(client, damp, action="burned", by="Anna").status_code == 400
    assert do(client, damp, action="noted", by="Anna", note="x" * 20_000).status_code == 413


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://127.0.0.1:8430"}, 303),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, 303),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "http://127.0.0.1:8430"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({}, 403),
    ],
)
def test_only_our_own_pages_can_send_the_form(client, services, damp, headers, status):
    """A page of somebody else's, opened in the same browser, cannot make it acknowledge anything."""
    sent = {"Content-Type": FORM["Content-Type"], **headers}
    assert do(client, damp, sent, action="acknowledged", by="Anna").status_code == status
    assert bool(services.read.nouns(HANDLING, [damp])) is (status == 303)


def test_following_a_link_does_nothing(client, services, damp):
    """A mail program that looks ahead at links changes nothing: actions are not to be had by GET."""
    assert client.get(f"/incidents/{damp}/actions?action=acknowledged&by=Anna").status_code == 405
    assert services.read.nouns(HANDLING, [damp]) == {}


def test_the_list_narrows_by_state_and_severity_and_keeps_one_cause_together(client, services, bench):
    """Those of one cause stand in one frame; only the severe, or only those going on, are shown where asked for."""
    one, two = (
        replace(bench.incident(2, is_open=True, room=room), id=room, cause="window-damper", severity=Severity.SEVERE)
        for room in ("hall", "loft")
    )
    bench.put(services, one, two, bench.incident(5, is_open=False))
    text = client.get("/incidents").text
    assert text.count('class="one-cause"') == 1
    assert "Probably one cause: 2 rooms" in text
    assert 'id="incident-i5"' in text
    assert 'id="incident-i5"' not in client.get("/incidents?severity=severe").text
    going_on = client.get("/incidents?state=open").text
    assert 'id="incident-hall"' in going_on
    assert "None on record" not in going_on
    related = client.get("/incidents/hall").text
    assert 'id="incident-loft"' in related


def test_an_incident_closed_by_hand_is_no_longer_counted(client, services, damp):
    """The tally beside the link counts what wants somebody; the list still shows it, and says that it goes on."""
    assert '<span class="tally">1</span>' in client.get("/").text
    do(client, damp, action="closed", by="Ben", note="drying on purpose")
    assert '<span class="tally">' not in client.get("/").text
    assert "closed manually, still active" in client.get("/incidents").text


def test_programs_read_and_do_the_same(client, services, damp):
    """The interface gives severity, life, journal and head, does actions, and refuses in problem documents."""
    address = f"/api/v1/incidents/{damp}"
    found = client.get(address).json()
    assert (found["incident"]["severity"], found["incident"]["life"]) == ("severe", "active")
    assert found["incident"]["excess_hours"] > 0
    assert found["journal"][0]["what"].startswith("Opened")
    assert found["record_head"]["number"] == services.read.record_head()[0]
    done = client.post(f"{address}/actions", json={"action": "acknowledged", "by": "duty phone"})
    assert (done.status_code, done.json()["acknowledged_by"]) == (200, "duty phone")
    assert client.get(address).json()["incident"]["life"] == "acknowledged"
    refused = client.post(f"{address}/actions", json={"action": "reopened", "by": "duty phone"})
    assert (refused.status_code, refused.headers["content-type"]) == (409, "application/problem+json")
    assert client.post(f"{address}/actions", json={"action": "closed", "by": ""}).status_code == 400
    elsewhere = {"Origin": "http://evil.example"}
    assert client.post(f"{address}/actions", json={"action": "noted", "by": "x"}, headers=elsewhere).status_code == 403
    as_form = client.post(f"{address}/actions", content="action=noted", headers={"Content-Type": "text/plain"})
    assert as_form.status_code == 400
    assert client.get("/api/v1/incidents/none").status_code == 404
    assert client.get("/api/v1/incidents?severity=serious").json()["incidents"][0]["id"] == damp


def test_incidents_of_one_instant_are_not_lost_between_pages(client, services, bench):
    """Wherever a page ends between incidents that opened together, `after` goes on behind the last one."""
    bench.put(services, *(replace(bench.incident(5, is_open=False), id=f"t{number}") for number in range(7)))
    seen, after = [], ""
    while after is not None:
        answer = client.get("/api/v1/incidents", params={"limit": 3, "after": after}).json()
        seen += [one["id"] for one in answer["incidents"]]
        after = answer["next_after"]
    assert sorted(seen) == [f"t{number}" for number in range(7)]


def test_foreign_words_are_never_markup(client, services, bench, damp):
    """Names, notes, titles and reasons come out as text, in the page and in its chart."""
    services.held_site = bench.hostile_site()
    do(client, damp, action="noted", by=bench.hostile, note=bench.hostile)
    text = client.get(f"/incidents/{damp}").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text


# --- in a browser -----------------------------------------------------------------------------------------------------


@pytest.mark.browser
@pytest.mark.parametrize("script", [True, False], ids=["with scripts", "without scripts"])
def test_a_person_takes_it_in_hand(browser, served, damp, script):
    """The form works as browsers send it: nothing blocked, the name remembered, the words on the page afterwards."""
    complaints: list[str] = []
    context = browser.new_context(base_url=served.address, java_script_enabled=script)
    page = context.new_page()
    page.on("console", lambda said: complaints.append(said.text) if said.type in {"error", "warning"} else None)
    page.goto("/incidents")
    page.get_by_role("link", name="out of range").click()
    page.get_by_label("Your name").fill("Änna")
    page.get_by_text("More actions").click()
    page.get_by_role("textbox", name="Note, or the reason for closing").fill("on my way")
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.get_by_text("Änna acknowledged it")).to_be_visible()
    expect(page.get_by_label("Your name")).to_have_value("Änna")
    expect(page.locator(".journal q")).to_have_text("on my way")
    context.close()
    assert complaints == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_is_wider_than_the_window(browser, served, damp, width):
    """On a phone as on a desk the page does not scroll sideways, and the chart that is shown fits."""
    page = browser.new_page(base_url=served.address, viewport={"width": width, "height": 900})
    page.goto(f"/incidents/{damp}")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    shown = [one for one in page.locator("svg.excursion").all() if one.is_visible()]
    assert len(shown) == 1
    page.close()
