"""The page behind a signed link: it says what the link does and asks; only the answer, a POST, does it.

Mail programs, scanners and chat previews open links by themselves, hence nothing happens on GET. These are the only
pages that answer under the public name that the wiring gives (`dashboards.shell.access`).
"""

from __future__ import annotations

import asyncio
from typing import Final

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from dashboards.services import Actions, ActionView
from dashboards.shell.page import Declared
from dashboards.shell.problems import AnswerError
from dashboards.signed_link.context import ActionPage
from dashboards.visit import Looking, Proved, Visit
from ingest.errors import RefusedError

GUESSES: Final = 20
GUESSES_IN_S: Final = 60.0
"""So many links that are not good are answered with their reason in this time; those beyond only by "too many"."""


class Guard:
    """Counts links that are not good, so that nobody tries signatures at leisure. Good ones are always let through."""

    def __init__(self) -> None:
        self._begins_s = float("-inf")
        self._count = 0

    def is_enough(self, now_s: float) -> bool:
        """Count one more and say whether there were too many of late.  now_s: monotonic."""
        if now_s - self._begins_s >= GUESSES_IN_S:
            self._begins_s, self._count = now_s, 0
        self._count += 1
        return self._count > GUESSES


def router() -> APIRouter:
    """Give the routes of signed links."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    guard = Guard()

    @made.get("/action/{token}")
    def ask(visit: Looking, token: str) -> Response:
        try:
            return visit.html(_page(visit, desk(visit).view(token), is_answered=False))
        except RefusedError as error:
            raise counted(visit, error) from error

    @made.post("/action/{token}")
    async def do(visit: Proved, token: str) -> Response:
        try:
            seen = await desk(visit).do(token)
        except RefusedError as error:
            raise counted(visit, error) from error
        return await asyncio.to_thread(lambda: visit.html(_page(visit, seen, is_answered=True)))

    def desk(visit: Visit) -> Actions:
        if visit.services.actions is None:
            raise AnswerError(404, "No links are made here.", where="the address")
        return visit.services.actions

    def counted(visit: Visit, error: RefusedError) -> AnswerError:
        if guard.is_enough(visit.services.clock.monotonic_s()):
            return AnswerError(
                429, "Too many links that are not good have been tried.", mend="Wait a minute.",
                headers={"Retry-After": str(round(GUESSES_IN_S))},
            )  # fmt: skip
        return AnswerError(403, f"{error.what[0].upper()}{error.what[1:]}.", where=error.where, mend=error.mend)

    return made


def _page(visit: Visit, seen: ActionView, *, is_answered: bool) -> ActionPage:
    return ActionPage(
        site=visit.site.name,
        wording=seen.wording,
        who=seen.who,
        room=seen.room,
        what=seen.what,
        standing=seen.standing,
        verdict=_verdict(seen, is_answered=is_answered),
        asks=seen.can_do and not seen.is_done,
    )


def _verdict(seen: ActionView, *, is_answered: bool) -> str:
    """Say how it stands with what the link does, or nothing while it is still to be done."""
    if seen.is_done:
        return "Done." if is_answered and seen.can_do else "There is nothing left to do with this link."
    return "" if seen.can_do else "It is over; there is nothing left to do with this link."


PAGE = Declared("/action/{token}", "Link", router)
