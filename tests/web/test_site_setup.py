"""The site setup over HTTP: read with its number, changed by a merge patch, conflicts and mistakes refused in words."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from fastapi.testclient import TestClient

from ingest.runtime.live_job import LiveJob
from ingest.site.incidents import Incident

ADDRESS = "/api/v1/site"
PATCH = {"Content-Type": "application/merge-patch+json"}


@pytest.fixture
def live(services: Any) -> LiveJob:
    """The site setup of the bench, changed as a daemon changes it."""
    made = LiveJob(services.store, services.clock, services.held_site, services.board.publish)

    async def write(work: Callable[[], list[Incident]]) -> list[Incident]:
        return await asyncio.to_thread(work)

    made.write = write
    services.setup = made
    return made


def test_a_window_is_changed_and_holds_at_once(client: TestClient, live: LiveJob) -> None:
    """Read, patch with the ETag, and the room's page and the next read say the new one."""
    read = client.get(ADDRESS)
    assert read.headers["etag"] == f'"{live.number}"'
    patch = {"rooms": {"hall": {"window": {"rh_percent": [33, 44]}}}}
    headers = PATCH | {"If-Match": read.headers["etag"]}
    dry = client.patch(ADDRESS, params={"by": "Mara", "dry_run": "true"}, json=patch, headers=headers)
    done = client.patch(ADDRESS, params={"by": "Mara"}, json=patch, headers=headers)
    assert dry.json()["changes"] == done.json()["changes"] == ['the acclimation window of room "hall" changes']
    assert dry.headers["etag"] == read.headers["etag"] != done.headers["etag"]
    assert client.get(ADDRESS).json()["site"]["rooms"]["hall"]["window"]["rh_percent"] == [33.0, 44.0]
    assert "33 to 44" in client.get("/rooms/hall").text
    late = client.patch(ADDRESS, params={"by": "Ben"}, json={"site": {"name": "Other"}}, headers=headers)
    assert (late.status_code, late.json()["where"]) == (412, "If-Match")
    assert live.site.name != "Other"


def test_a_sensor_is_taken_away_by_null(client: TestClient, live: LiveJob) -> None:
    """What is null in a merge patch goes; the readings of the sensor stay in the store."""
    headers = PATCH | {"If-Match": f'"{live.number}"'}
    patch = {"rooms": {"hall": {"sensors": {"hall-air": None}}}}
    assert client.patch(ADDRESS, params={"by": "Mara"}, json=patch, headers=headers).status_code == 200
    assert live.site.sensor("hall-air") is None


@pytest.mark.parametrize(
    ("sent", "headers", "status", "said"),
    [
        ({"rooms": {"hall": {"window": {"rh_percent": [50, 40]}}}}, {"If-Match": "now"}, 400, "low end 50"),
        ({"rooms": {"hall": {"windw": {}}}}, {"If-Match": "now"}, 400, "windw"),
        ({"site": {"name": "x"}}, {}, 428, "which site setup"),
        ([], {"If-Match": "now"}, 400, "not an object"),
        ({}, {"If-Match": "now", "Origin": "https://elsewhere.example.org"}, 403, "not sent from these pages"),
        ({}, {"If-Match": "now", "Content-Type": "text/plain"}, 415, "merge patch"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(
    client: TestClient, live: LiveJob, sent: Any, headers: dict[str, str], status: int, said: str
) -> None:
    """A mistake, no number, another origin, another type: a sentence each, and the site setup stays."""
    before = live.site
    headers = {name: value.replace("now", f'"{live.number}"') for name, value in (PATCH | headers).items()}
    answer = client.patch(ADDRESS, params={"by": "Mara"}, json=sent, headers=headers)
    assert answer.status_code == status
    assert said in str(answer.json())
    assert live.site is before


def test_an_edited_settings_file_is_told_on_every_page(client: TestClient, services: Any, live: LiveJob) -> None:
    """A strip says in what it differs and what to do, until they say the same."""
    assert "settings file was edited" not in client.get("/").text
    edited = replace(services.held_site, name="Another name")
    services.setup = LiveJob(services.store, services.clock, edited, services.board.publish)
    for page in ("/", "/rooms/hall", "/incidents", "/connections"):
        assert (
            "settings file was edited and differs from the site setup in use (the site&#39;s name)"
            in client.get(page).text
        )
