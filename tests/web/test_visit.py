"""Doors and pages: every route has one by role, what changes something comes from our pages, a page is one folder."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

import dashboards
from dashboards.api import live, rooms
from dashboards.app import create_app
from dashboards.shell.page import declared
from dashboards.visit import Door
from ingest.site.actor import Role

ELSEWHERE = {"Origin": "https://elsewhere.example.org", "Sec-Fetch-Site": "cross-site"}
OWN_PROOF = {"/api/v1/readings", "/action/{token}"}
"""Devices show a key, links in alerts their signature."""


def doors(dependant: Dependant) -> Iterator[Door]:
    """Give the doors that a route goes through."""
    for one in dependant.dependencies:
        if isinstance(one.call, Door):
            yield one.call
        yield from doors(one)


def all_routes(router: Any) -> Iterator[APIRoute]:
    """Give the routes of a router, those of routers in it too."""
    for one in router.routes:
        if isinstance(one, APIRoute):
            yield one
        elif hasattr(one, "original_router"):
            yield from all_routes(one.original_router)


def test_whatever_changes_something_has_a_door_for_who_may(services: Any) -> None:
    """No route by which something changes is open to who may only look, but those that carry their own proof."""
    routers = [rooms.router(services), live.router(services), *(page.router() for page in declared())]
    routes = [route for router in routers for route in all_routes(router)]
    changing = [one for one in routes if not one.methods <= {"GET", "HEAD"} and one.path not in OWN_PROOF]
    assert len(changing) >= 5
    for route in changing:
        assert [door for door in doors(route.dependant) if door.role >= Role.ACT], route.path
    create_app(services)  # which serves these routers and no other


def test_who_may_only_look_changes_nothing(services: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the role of a looker pages are served, and every action is refused."""
    from dashboards.visit import Visit

    made = Visit.of
    monkeypatch.setattr(Visit, "of", lambda *given: dataclasses.replace(made(*given), role=Role.LOOK))
    with TestClient(create_app(services), base_url="http://127.0.0.1:8430") as client:
        assert client.get("/").status_code == 200
        ours = {"Origin": "http://127.0.0.1:8430"}
        for address in ("/incidents/i1/actions", "/find-sensors/again", "/find-sensors/assign"):
            assert client.post(address, headers=ours).status_code == 403, address
        assert client.patch("/api/v1/site?by=x", json={}, headers={"If-Match": "1"}).status_code == 403


@pytest.mark.parametrize(
    "address", ["/incidents/i1/actions", "/find-sensors/again", "/find-sensors/assign", "/api/v1/incidents/i1/actions"]
)
def test_another_site_in_the_same_browser_changes_nothing(client: TestClient, address: str) -> None:
    """What was not sent from our pages is refused before anything of it is looked at."""
    assert client.post(address, headers=ELSEWHERE).status_code == 403


@pytest.fixture
def page_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A page of our own, in a folder that stands beside the others."""
    folder = tmp_path / "chalkboard"
    folder.mkdir()
    (folder / "__init__.py").write_text("")
    (folder / "page.html").write_text(
        '{% extends "shell/base.html" %}{% block main %}<h1>{{ shell.title }}</h1><p>{{ rooms }} rooms</p>'
        "{% endblock %}"
    )
    (folder / "route.py").write_text(
        "from dataclasses import dataclass\n"
        "from typing import ClassVar\n"
        "from fastapi import APIRouter\n"
        "from dashboards.shell.contexts import Shell\n"
        "from dashboards.shell.page import Declared\n"
        "from dashboards.visit import Looking\n"
        "@dataclass(frozen=True, slots=True)\n"
        "class Board:\n"
        "    TEMPLATE: ClassVar = 'chalkboard/page.html'\n"
        "    shell: Shell\n"
        "    rooms: int\n"
        "def router():\n"
        "    made = APIRouter()\n"
        "    @made.get('/chalkboard')\n"
        "    def page(visit: Looking):\n"
        "        shell = visit.shell('Chalkboard', '/chalkboard')\n"
        "        return visit.html(Board(shell, len(visit.site.rooms)))\n"
        "    return made\n"
        "PAGE = Declared('/chalkboard', 'Chalkboard', router, place=9)\n"
    )
    monkeypatch.setattr(dashboards, "__path__", [*dashboards.__path__, str(tmp_path)])
    declared.cache_clear()
    yield folder
    declared.cache_clear()
    for name in [name for name in sys.modules if name.startswith("dashboards.chalkboard")]:
        del sys.modules[name]


def test_a_new_page_is_one_folder(page_folder: Path, services: Any) -> None:
    """Put in place, it is served and stands in the navigation of every page; nothing else was touched."""
    with TestClient(create_app(services), base_url="http://127.0.0.1:8430") as client:
        assert f"<p>{len(services.site().rooms)} rooms</p>" in client.get("/chalkboard").text
        assert "/chalkboard" in client.get("/incidents").text
