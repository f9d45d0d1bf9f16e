"""The page behind a signed link: it asks, and only the answer acts; under the public name nothing else is served."""

from __future__ import annotations

from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from dashboards.app import create_app
from ingest.notices.links import VALID_MS, LinkAction, LinkKind, Links
from ingest.runtime.action_desk import ActionDesk
from ingest.site.actor import WATCH
from ingest.site.incidents import Incident, IncidentKind
from ingest.store.record.kinds import HANDLING

PUBLIC = "https://wood.example.org"
LINKS = Links(b"k" * 32, PUBLIC)


@pytest.fixture
def incident(services) -> Incident:
    """An open incident in the loft."""
    now_ms = services.clock.now_ms()
    one = Incident(
        "loft.window.1", "loft", "loft-air", IncidentKind.WINDOW, now_ms - 3_600_000, now_ms, "x", None,
        "rh_percent", 55.0, 61.0, now_ms,
    )  # fmt: skip
    with services.store.transaction() as work:
        work.put_incident(one, at_ms=now_ms, by=WATCH)
    return one


@pytest.fixture
def public(services):
    """A client that comes by the public name, as a proxy on this computer passes it on."""

    async def write(work):
        return work()

    services.actions = ActionDesk(
        lambda: LINKS, services.store, services.site, services.clock, write, public_address=PUBLIC
    )
    with TestClient(create_app(services), base_url=PUBLIC, client=("127.0.0.1", 5000)) as client:
        yield client


def path_of(services, incident: Incident, kind: LinkKind = LinkKind.ACKNOWLEDGE) -> str:
    action = LinkAction(incident.id, kind, "Floor <b>layer</b>", services.clock.now_ms() + VALID_MS)
    return f"/action/{LINKS.sign(action)}"


def test_opening_a_link_asks_and_does_nothing(public, services, incident) -> None:
    """Prefetched a hundred times, by whatever reads mail, nothing is done; the page says what it would do, escaped."""
    for _ in range(100):
        answer = public.get(path_of(services, incident))
    assert answer.status_code == 200
    assert "Acknowledge" in answer.text
    assert "Nothing has happened yet" in answer.text
    assert "<b>layer</b>" not in answer.text
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert services.read.nouns(HANDLING, [incident.id]) == {}


def test_the_answer_acts_once(public, services, incident) -> None:
    """A POST acknowledges it; a second one changes nothing; the page then says so and has no button."""
    path = path_of(services, incident)
    assert "Done." in public.post(path).text
    first = services.read.nouns(HANDLING, [incident.id])[incident.id]
    services.clock.step_wall(60_000)
    assert public.post(path).status_code == 200
    assert services.read.nouns(HANDLING, [incident.id])[incident.id] == first
    assert first.acknowledged_by == "Floor <b>layer</b>"
    assert "<button" not in public.get(path).text


@pytest.mark.parametrize(
    "path", ["/", "/rooms/loft", "/api/rooms", "/metrics", "/health", "/live", "/action", "/connections"]
)
def test_nothing_else_is_served_under_the_public_name(public, path: str) -> None:
    """Whatever a proxy passes on, pages and interface stay on the computer's own address."""
    assert public.get(path).status_code == 421
    assert public.post(path).status_code == 421


def test_other_names_are_not_served_either(services, public, incident) -> None:
    """A name that is neither the public one nor this computer's is refused for links as for all else."""
    path = path_of(services, incident)
    assert public.get(path, headers={"Host": "wood.example.org.evil.example"}).status_code == 421
    assert public.get(path, headers={"Host": "127.0.0.1:8430"}).status_code == 200


def test_links_that_are_not_good_are_turned_away(public, services, incident) -> None:
    """A changed, an expired and a made-up link: 403 with its reason on GET and POST, and nothing is done."""
    good = path_of(services, incident)
    expired = f"/action/{LINKS.sign(LinkAction(incident.id, LinkKind.ACKNOWLEDGE, 'x', services.clock.now_ms()))}"
    for path, word in ((good[:-2] + "AA", "not one of ours"), (expired, "expired"), ("/action/x.y", "not one of ours")):
        for answer in (public.get(path), public.post(path)):
            assert answer.status_code == 403
            assert word in answer.text
    assert services.read.nouns(HANDLING, [incident.id]) == {}


def test_guessing_is_slowed_and_good_links_go_on(public, services, incident) -> None:
    """After twenty bad links in a minute the answer is 429; a good link is let through all the same."""
    statuses = [public.get(f"/action/guess{number}.x").status_code for number in range(25)]
    assert statuses == [403] * 20 + [429] * 5
    assert public.get(path_of(services, incident)).status_code == 200


def test_what_is_over_has_nothing_to_press(public, services, incident) -> None:
    """Over meanwhile: the page says so; a POST is rejected."""
    path, now_ms = path_of(services, incident), services.clock.now_ms()
    with services.store.transaction() as work:
        work.put_incident(replace(incident, closed_ms=now_ms), at_ms=now_ms, by=WATCH)
    answer = public.get(path)
    assert "It is over" in answer.text
    assert "<button" not in answer.text
    assert public.post(path).status_code == 403


def test_without_links_there_is_no_such_page(client) -> None:
    """Where none are made, the address is none."""
    assert client.get("/action/a.b").status_code == 404
