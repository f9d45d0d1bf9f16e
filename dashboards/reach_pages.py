"""What is within reach, as pages: looking, giving a sensor a room, asking to look again.

Looking is a question and changes nothing in the job; it is begun only when one of our own pages, or a person, asks, and
not when a page on the internet does. What changes something is a POST, from a page of ours only.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from typing import Final
from urllib.parse import parse_qsl

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import gather_reach
from dashboards.access import comes_from_here
from dashboards.gather_reach import ADDRESS
from dashboards.problems import AnswerError
from dashboards.rendering import Pages
from dashboards.services import Adoption, Services, Sighting
from dashboards.view import View
from ingest.errors import InputError, RefusedError

MOST_FORM_BYTES: Final = 8_000
FIELDS: Final = ("which", "room", "place", "title", "sensor", "quantity", "by")
EACH: Final = re.compile(r"each\d{1,2}")
FORM: Final = "application/x-www-form-urlencoded"
OWN_ORIGIN: Final = {"Referrer-Policy": "same-origin"}
"""So that a form of this page says where it comes from: without a referrer a browser leaves its origin out."""


def router(services: Services, pages: Pages) -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    async def view_of(request: Request, units: str | None) -> View:
        if not services.looks_around and services.demo_speed is None:
            raise AnswerError(404, "Sensors are looked for at their site, not from here.", where=ADDRESS)
        return await asyncio.to_thread(View.of, services, ADDRESS, units)

    @made.get(ADDRESS)
    async def reach(request: Request, units: str | None = None) -> Response:
        view = await view_of(request, units)
        found = await services.within_reach(renew=_is_asked_by_us(request))
        keys = await asyncio.to_thread(services.device_keys)
        page = await asyncio.to_thread(gather_reach.reach_page, view, found, keys)
        return _with_origin(pages.html(page))

    @made.post(f"{ADDRESS}/again")
    async def again(request: Request, units: str | None = None) -> Response:
        _only_ours(request)
        view = await view_of(request, units)
        await services.within_reach(again=True)
        return RedirectResponse(view.link(ADDRESS), 303)

    @made.get(f"{ADDRESS}/adopt")
    async def choose(request: Request, which: str = "", units: str | None = None) -> Response:
        view = await view_of(request, units)
        sighting = await _sighted(services, which, renew=_is_asked_by_us(request))
        if sighting is None or sighting.room:  # gone, or adopted meanwhile
            return RedirectResponse(view.link(ADDRESS), 303)
        return _with_origin(pages.html(await asyncio.to_thread(gather_reach.adopt_page, view, sighting, {})))

    @made.post(f"{ADDRESS}/adopt")
    async def adopt(request: Request, units: str | None = None) -> Response:
        _only_ours(request)
        given = await _form(request)
        view = await view_of(request, units)
        try:
            adopted = await services.adopt(_adoption(given, await _sighted(services, given.get("which", ""))))
        except InputError as error:
            sighting = await _sighted(services, given["which"])
            if sighting is None:
                raise
            page = await asyncio.to_thread(gather_reach.adopt_page, view, sighting, given, error)
            return _with_origin(pages.html(page, 400))
        fresh = await view_of(request, units)
        return pages.html(await asyncio.to_thread(gather_reach.adopted_page, fresh, adopted))

    return made


def _with_origin(answer: Response) -> Response:
    answer.headers.update(OWN_ORIGIN)
    return answer


def _is_asked_by_us(request: Request) -> bool:
    """Say whether a person or a page of ours asks; a page on the internet that embeds ours must not start a radio."""
    return request.headers.get("sec-fetch-site", "none") in {"none", "same-origin"}


def _only_ours(request: Request) -> None:
    if not comes_from_here(request.headers):
        raise AnswerError(
            403, "This was not sent by a page of this site.", mend="Open the page yourself, and press its button."
        )


async def _sighted(services: Services, which: str, *, renew: bool = True) -> Sighting | None:
    reach = await services.within_reach(renew=renew)
    return next((one for one in reach.sightings if one.id == which), None)


async def _form(request: Request) -> Mapping[str, str]:
    """Read the fields of a form. Raises AnswerError (413, 415)."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
        raise AnswerError(415, "This is no form.", mend="Use the page's own form.")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_FORM_BYTES:
            raise AnswerError(413, "This form is too long.", mend="Write less.", headers={"Connection": "close"})
    pairs = parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=50)
    return {name: value for name, value in pairs if name in FIELDS or EACH.fullmatch(name)}


def _adoption(given: Mapping[str, str], sighting: Sighting | None) -> Adoption:
    if "which" not in given:
        raise RefusedError("the form says not what is meant", mend="Use the page's own form.")
    return Adoption(
        sighting=given["which"],
        room=given.get("room", ""),
        by=given.get("by", ""),
        place=given.get("place", "air"),
        title=given.get("title", ""),
        sensor=given.get("sensor", ""),
        quantity=given.get("quantity", ""),
        each={pointer: given.get(f"each{n}", "") for n, pointer in enumerate(sighting.asks_each if sighting else ())},
    )
