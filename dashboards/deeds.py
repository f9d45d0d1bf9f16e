"""What people do about incidents, by page and by program: acknowledge, ask for quiet, close, open again, leave a note.

Both ways end in `Services.handle`, which writes the record. Nothing is done by following a link: only by POST, and only
by one that comes from these pages themselves, or from a program on this computer.
"""

from __future__ import annotations

import asyncio
from typing import Annotated, Final, Literal
from urllib.parse import parse_qs, quote, unquote

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.access import comes_from_here
from dashboards.gather_incident import QUIET, incident_page, known_incident
from dashboards.problems import AnswerError
from dashboards.rendering import Pages
from dashboards.services import Services
from dashboards.view import View
from ingest.errors import RefusedError
from ingest.site.actor import Actor, Where
from ingest.site.handling import Asked, Deed, Handling

WHO: Final = "who"
"""The cookie in which a browser keeps the name that was given last, so that it need not be typed again."""

WHO_KEPT_S: Final = 365 * 86_400
MOST_BYTES: Final = 16_384
HOUR_MS: Final = 3_600_000

OWN_REFERRER: Final = {"Referrer-Policy": "same-origin"}
"""Without a referrer browsers say of a form's sender only "null": the page with the form lets them say it to us."""

IncidentId = Annotated[str, Path(max_length=400)]


class DeedAsked(BaseModel):
    """A deed that a program asks for."""

    model_config = ConfigDict(extra="forbid")

    deed: Annotated[
        Literal["acknowledged", "snoozed", "woken", "closed", "reopened", "noted"],
        Field(
            description="taken in hand; no notices before `until_ms`; notices again; closed by hand; that taken back"
        ),
    ]
    by: Annotated[str, Field(min_length=1, max_length=80, description="who does it")]
    note: Annotated[str, Field(max_length=2000, description="words to leave; the reason, where it closes")] = ""
    until_ms: Annotated[int | None, Field(description="of a snooze: no notices before (UTC, ms)")] = None


def page_routes(services: Services, pages: Pages) -> APIRouter:
    """Give the routes of the incident page."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get("/incidents/{incident}")
    def incident(request: Request, incident: IncidentId, units: str | None = None) -> Response:
        view = View.of(services, request.url.path, units, request.url.query)
        page = incident_page(view, known_incident(view, incident), who=_who(request))
        answer = pages.html(page)
        answer.headers.update(OWN_REFERRER)
        return answer

    @made.post("/incidents/{incident}/deeds")
    async def deeds(request: Request, incident: IncidentId, units: str | None = None) -> Response:
        _must_be_own(request)
        view = View.of(services, request.url.path, units)
        found = await asyncio.to_thread(known_incident, view, incident)
        typed = await _typed(request)
        who, note = typed.get("by", "").strip(), typed.get("note", "")
        try:
            await services.handle(_asked(found.id, typed, view.now_ms))
        except RefusedError as refused:
            wrong = f"{refused.what[:1].upper()}{refused.what[1:]}. {refused.mend}".strip()
            page = await asyncio.to_thread(incident_page, view, found, who=who, note=note, wrong=wrong)
            answer: Response = pages.html(page, 409)
            answer.headers.update(OWN_REFERRER)
            return answer
        answer = RedirectResponse(view.link(f"/incidents/{quote(found.id, safe='')}"), 303)
        answer.set_cookie(WHO, quote(who[:80]), max_age=WHO_KEPT_S, httponly=True, samesite="strict", path="/incidents")
        return answer

    return made


async def do_for_program(services: Services, request: Request, incident: str, asked: DeedAsked) -> Handling:
    """Do what a program asks.  Raises AnswerError: 403 from elsewhere, 404 no such incident, 409 not possible now."""
    if request.headers.get("origin") is not None or request.headers.get("sec-fetch-site") is not None:
        _must_be_own(request)
    view = View.of(services, request.url.path, None)
    found = await asyncio.to_thread(known_incident, view, incident)
    try:
        return await services.handle(
            Asked(found.id, Deed(asked.deed), Actor(Where.API, asked.by), asked.note, asked.until_ms)
        )
    except RefusedError as refused:
        raise AnswerError(409, f"{refused.what}.", where=refused.where, mend=refused.mend) from refused


def _must_be_own(request: Request) -> None:
    if not comes_from_here(request.headers):
        raise AnswerError(
            403,
            "This was not sent from these pages.",
            where="Origin",
            mend="Open the incident's page here and do it there.",
        )


def _asked(incident: str, typed: dict[str, str], now_ms: int) -> Asked:
    deed = next((one for one in Deed if one.value == typed.get("deed")), None)
    if deed is None:
        raise AnswerError(400, "It is not said what to do.", where="deed", mend="Use one of the page's buttons.")
    until_ms = None
    if deed is Deed.SNOOZED:
        _, hours = QUIET.get(typed.get("quiet", ""), ("", 0))
        until_ms = now_ms + hours * HOUR_MS
    return Asked(incident, deed, Actor(Where.PAGE, typed.get("by", "")), typed.get("note", ""), until_ms)


async def _typed(request: Request) -> dict[str, str]:
    """Read a form as browsers send it, counting: what a header says is not what comes."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BYTES:
            raise AnswerError(
                413, "That is too long.", where="body", mend="Write less.", headers={"Connection": "close"}
            )
    try:
        found = parse_qs(body.decode("ascii"), keep_blank_values=True, max_num_fields=20, encoding="utf-8")
    except ValueError as error:
        raise AnswerError(400, "The form could not be read.", where="body", mend="Send it from the page.") from error
    return {name: values[-1] for name, values in found.items()}


def _who(request: Request) -> str:
    return unquote(request.cookies.get(WHO, ""))[:80]
