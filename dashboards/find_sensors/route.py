"""What is within reach, as pages: looking, giving a sensor a room, asking to look again.

Looking is a question and changes nothing in the job; it is begun only when one of our own pages, or a person, asks, and
not when a page on the internet does. What changes something is a POST, from a page of ours only.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from fastapi import APIRouter
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.find_sensors import gather
from dashboards.find_sensors.gather import ADDRESS
from dashboards.services import Assignment, Services, Sighting
from dashboards.shell.page import Declared
from dashboards.shell.problems import AnswerError
from dashboards.visit import Looking, SettingUp, Visit
from ingest.errors import InputError, RefusedError

FIELDS: Final = ("which", "room", "place", "title", "sensor", "quantity", "by")
EACH: Final = re.compile(r"each\d{1,2}")
OWN_ORIGIN: Final = {"Referrer-Policy": "same-origin"}
"""So that a form of this page says where it comes from: without a referrer a browser leaves its origin out."""


def router() -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get(ADDRESS)
    async def page(visit: Looking) -> Response:
        found = await _there(visit).within_reach(renew=_is_asked_by_us(visit))
        keys = await asyncio.to_thread(visit.services.device_keys)
        return _with_origin(visit.html(await asyncio.to_thread(gather.reach_page, visit, found, keys)))

    @made.post(f"{ADDRESS}/again")
    async def again(visit: SettingUp) -> Response:
        await _there(visit).within_reach(again=True)
        return RedirectResponse(visit.link(ADDRESS), 303)

    @made.get(f"{ADDRESS}/assign")
    async def choose(visit: SettingUp, which: str = "") -> Response:
        sighting = await _sighted(_there(visit), which, renew=_is_asked_by_us(visit))
        if sighting is None or sighting.room:  # gone, or assigned meanwhile
            return RedirectResponse(visit.link(ADDRESS), 303)
        return _with_origin(visit.html(await asyncio.to_thread(gather.assign_page, visit, sighting, {})))

    @made.post(f"{ADDRESS}/assign")
    async def assign(visit: SettingUp) -> Response:
        services, given = _there(visit), await _fields(visit)
        try:
            assigned = await services.assign(_assignment(given, await _sighted(services, given.get("which", ""))))
        except InputError as error:
            sighting = await _sighted(services, given["which"])
            if sighting is None:
                raise
            page = await asyncio.to_thread(gather.assign_page, visit, sighting, given, error)
            return _with_origin(visit.html(page, 400))
        fresh = replace(visit, site=await asyncio.to_thread(services.site))
        return visit.html(await asyncio.to_thread(gather.assigned_page, fresh, assigned))

    return made


def _looks(services: Services) -> bool:
    return services.looks_around


def _there(visit: Visit) -> Services:
    services = visit.services
    if not services.looks_around and services.demo_speed is None:
        raise AnswerError(404, "Sensors are looked for at their site, not from here.", where=ADDRESS)
    return services


def _with_origin(answer: Response) -> Response:
    answer.headers.update(OWN_ORIGIN)
    return answer


def _is_asked_by_us(visit: Visit) -> bool:
    """Say whether a person or a page of ours asks; a page on the internet that embeds ours must not start a radio."""
    assert visit.request is not None
    return visit.request.headers.get("sec-fetch-site", "none") in {"none", "same-origin"}


async def _sighted(services: Services, which: str, *, renew: bool = True) -> Sighting | None:
    reach = await services.within_reach(renew=renew)
    return next((one for one in reach.sightings if one.id == which), None)


async def _fields(visit: Visit) -> Mapping[str, str]:
    """Read the fields of the form that are ours. Raises AnswerError (413, 415)."""
    given = await visit.form()
    return {name: value for name, value in given.items() if name in FIELDS or EACH.fullmatch(name)}


def _assignment(given: Mapping[str, str], sighting: Sighting | None) -> Assignment:
    if "which" not in given:
        raise RefusedError("the form says not what is meant", mend="Use the page's own form.")
    return Assignment(
        sighting=given["which"],
        room=given.get("room", ""),
        by=given.get("by", ""),
        place=given.get("place", "air"),
        title=given.get("title", ""),
        sensor=given.get("sensor", ""),
        quantity=given.get("quantity", ""),
        each={pointer: given.get(f"each{n}", "") for n, pointer in enumerate(sighting.asks_each if sighting else ())},
    )


PAGE = Declared(ADDRESS, "Find sensors", router, place=4, needs=_looks)
