"""The site setup for programs: read whole, changed by a merge patch while the daemon runs, with history."""

from __future__ import annotations

import asyncio
import json
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse

from dashboards.services import SiteSetup
from dashboards.shell.problems import AnswerError
from dashboards.visit import Looking, SettingUp, Visit
from ingest.errors import ConflictError
from ingest.settings.site_document import document_of, merged, site_of
from ingest.site.editing import changes
from ingest.site.places import Site

ADDRESS: Final = "/api/v1/site"
PATCH_TYPE: Final = "application/merge-patch+json"
MOST_BYTES: Final = 2_000_000
"""A site of a thousand rooms has a fifth of it."""


class SiteAnswer(BaseModel):
    """The site setup.  number: of its entry in the log; the ETag says the same."""

    number: int
    site: Annotated[dict[str, Any], Field(description="the keys of the settings file; rooms and sensors by their ids")]
    differing: Annotated[list[str], Field(description="in what an edited settings file contradicts it")] = []
    changes: Annotated[list[str], Field(description="what a patch changed, or would change, in words")] = []


def add(made: APIRouter) -> None:
    """Add the routes."""

    @made.get(
        ADDRESS, tags=["site"], summary="The site setup: rooms, windows, phases, sensors", response_model=SiteAnswer
    )
    def read(visit: Looking) -> JSONResponse:
        return _answer(_setup(visit))

    @made.patch(
        ADDRESS,
        tags=["site"],
        summary="Change the site setup by a merge patch (RFC 7396)",
        response_model=SiteAnswer,
        openapi_extra={"requestBody": {"content": {PATCH_TYPE: {"schema": {"type": "object"}}}, "required": True}},
    )
    async def change(
        visit: SettingUp,
        by: Annotated[str, Query(min_length=1, max_length=80, description="who changes it; kept in the log")],
        *,
        dry_run: Annotated[bool, Query(description="only say what would change")] = False,
    ) -> JSONResponse:
        setup = _setup(visit)
        patch, based_on = await _patch(visit), _based_on(visit)

        def edit(site: Site) -> Site:
            return site_of(merged(document_of(site), patch))

        if dry_run:
            words = changes(setup.site, await asyncio.to_thread(edit, setup.site))
            return _answer(setup, words)
        try:
            done = await setup.change(edit, by=visit.actor(by), based_on=based_on)
        except ConflictError as error:
            raise AnswerError(412, f"{error.what}.", where="If-Match", mend=error.mend) from error
        return _answer(setup, done.words)


def _setup(visit: Visit) -> SiteSetup:
    if visit.services.setup is None:
        raise AnswerError(404, "The site setup is changed at the sites themselves.", where=ADDRESS)
    return visit.services.setup


def _answer(setup: SiteSetup, words: Any = ()) -> JSONResponse:
    made = SiteAnswer(
        number=setup.number, site=document_of(setup.site), differing=list(setup.differing), changes=list(words)
    )
    return JSONResponse(made.model_dump(), headers={"ETag": f'"{setup.number}"'})


def _based_on(visit: Visit) -> int:
    assert visit.request is not None
    given = visit.request.headers.get("if-match", "").strip().strip('"')
    if not given.isascii() or not given.isdigit():
        raise AnswerError(
            428,
            "It is not said which site setup this changes.",
            where="If-Match",
            mend=f"Read {ADDRESS} first, and send its ETag as If-Match.",
        )
    return int(given)


async def _patch(visit: Visit) -> dict[str, Any]:
    assert visit.request is not None
    given = visit.request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if given not in (PATCH_TYPE, "application/json"):
        raise AnswerError(
            415, "This is not declared as a merge patch.", where="Content-Type", mend=f"Send it as {PATCH_TYPE}."
        )
    body = await visit.body(MOST_BYTES)
    try:
        patch = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise AnswerError(400, "The body is not JSON.", where="body", mend="Send an object.") from error
    if not isinstance(patch, dict):
        raise AnswerError(400, "The patch is not an object.", where="body", mend='Send {"rooms": {…}}.')
    return patch
