"""The addresses of caught mails."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from dashboards.caught_mail.gather import caught, mail_page, mails_page
from dashboards.services import Services
from dashboards.shell.access import CAUGHT_MAIL_POLICY
from dashboards.shell.page import Declared
from dashboards.shell.problems import AnswerError
from dashboards.visit import Looking, Visit


def router() -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get("/mails")
    def mails(visit: Looking) -> Response:
        return visit.html(mails_page(_demonstration(visit)))

    @made.get("/mails/{number}")
    def mail(visit: Looking, number: int) -> Response:
        return visit.html(mail_page(_demonstration(visit), number))

    @made.get("/mails/{number}/html")
    def mail_html(visit: Looking, number: int) -> Response:
        html = caught(_demonstration(visit), number).html
        if html is None:
            raise AnswerError(404, f"The caught mail number {number} has no HTML part.", where="mails")
        headers = {"Content-Security-Policy": CAUGHT_MAIL_POLICY, "X-Frame-Options": "SAMEORIGIN"}
        return HTMLResponse(html, headers=headers)

    return made


def _catches(services: Services) -> bool:
    return services.demo_speed is not None


def _demonstration(visit: Visit) -> Visit:
    if not _catches(visit.services):
        raise AnswerError(404, "Only a demonstration catches mail; here it is sent.", where=visit.address)
    return visit


PAGE = Declared("/mails", "Mail", router, place=5, needs=_catches, count=lambda services: len(services.mails()))
