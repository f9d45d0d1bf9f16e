"""What people do about incidents, by page and by program: acknowledge, mute alerts, close, open again, leave a note.

Both ways end in `Services.handle`, which writes the record. Nothing is done by following a link: only by POST, and only
by one that comes from these pages themselves, or from a program on this computer.
"""

from __future__ import annotations

import asyncio
from typing import Annotated, Final, Literal
from urllib.parse import quote, unquote

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.incident.gather import MUTE_FOR, incident_page, known_incident
from dashboards.shell.page import Declared
from dashboards.shell.problems import AnswerError
from dashboards.visit import Acting, Looking, Visit
from ingest.errors import RefusedError
from ingest.site.handling import Action, Asked, Handling

WHO: Final = "who"
"""The cookie in which a browser keeps the name that was given last, so that it need not be typed again."""

WHO_KEPT_S: Final = 365 * 86_400
HOUR_MS: Final = 3_600_000

OWN_REFERRER: Final = {"Referrer-Policy": "same-origin"}
"""Without a referrer browsers say of a form's sender only "null": the page with the form lets them say it to us."""

IncidentId = Annotated[str, Path(max_length=400)]


class ActionAsked(BaseModel):
    """An action that a program asks for."""

    model_config = ConfigDict(extra="forbid")

    action: Annotated[
        Literal["acknowledged", "muted", "unmuted", "closed", "reopened", "noted"],
        Field(description="acknowledged; alerts muted until `until_ms`; unmuted; closed manually; that taken back"),
    ]
    by: Annotated[str, Field(min_length=1, max_length=80, description="who does it")]
    note: Annotated[str, Field(max_length=2000, description="words to leave; the reason, where it closes")] = ""
    until_ms: Annotated[int | None, Field(description="of a mute: until when (UTC, ms)")] = None


def router() -> APIRouter:
    """Give the routes of the incident page."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get("/incidents/{incident}")
    def page(visit: Looking, incident: IncidentId) -> Response:
        assert visit.request is not None
        answer = visit.html(incident_page(visit, known_incident(visit, incident), who=_who(visit.request)))
        answer.headers.update(OWN_REFERRER)
        return answer

    @made.post("/incidents/{incident}/actions")
    async def actions(visit: Acting, incident: IncidentId) -> Response:
        found = await asyncio.to_thread(known_incident, visit, incident)
        typed = await visit.form()
        who, note = typed.get("by", "").strip(), typed.get("note", "")
        try:
            await visit.services.handle(_asked(visit, found.id, typed))
        except RefusedError as refused:
            wrong = f"{refused.what[:1].upper()}{refused.what[1:]}. {refused.mend}".strip()
            page = await asyncio.to_thread(incident_page, visit, found, who=who, note=note, wrong=wrong)
            answer: Response = visit.html(page, 409)
            answer.headers.update(OWN_REFERRER)
            return answer
        answer = RedirectResponse(visit.link(f"/incidents/{quote(found.id, safe='')}"), 303)
        answer.set_cookie(WHO, quote(who[:80]), max_age=WHO_KEPT_S, httponly=True, samesite="strict", path="/incidents")
        return answer

    return made


async def do_for_program(visit: Visit, incident: str, asked: ActionAsked) -> Handling:
    """Do what a program asks.  Raises AnswerError: 404 no such incident, 409 not possible now."""
    found = await asyncio.to_thread(known_incident, visit, incident)
    try:
        by = visit.actor(asked.by)
        return await visit.services.handle(Asked(found.id, Action(asked.action), by, asked.note, asked.until_ms))
    except RefusedError as refused:
        raise AnswerError(409, f"{refused.what}.", where=refused.where, mend=refused.mend) from refused


def _asked(visit: Visit, incident: str, typed: dict[str, str]) -> Asked:
    action = next((one for one in Action if one.value == typed.get("action")), None)
    if action is None:
        raise AnswerError(400, "It is not said what to do.", where="action", mend="Use one of the page's buttons.")
    until_ms = None
    if action is Action.MUTED:
        _, hours = MUTE_FOR.get(typed.get("mute_for", ""), ("", 0))
        until_ms = visit.now_ms + hours * HOUR_MS
    return Asked(incident, action, visit.actor(typed.get("by", "")), typed.get("note", ""), until_ms)


def _who(request: Request) -> str:
    return unquote(request.cookies.get(WHO, ""))[:80]


PAGE = Declared("/incidents/{incident}", "Incident", router)
