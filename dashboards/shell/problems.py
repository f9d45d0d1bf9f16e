"""Errors as a person or a program reads them: problem details (RFC 9457) under /api, a plain page elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Annotated, Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from dashboards.shell.access import STRICT_HEADERS
from dashboards.shell.rendering import Pages
from ingest.errors import InputError, LumberroomError, RefusedError, StorageError

PROBLEM_TYPE: Final = "application/problem+json"
RETRY_AFTER_S: Final = 30
"""When to ask again after the store could not be used: the intake tries it again within that."""


class Problem(BaseModel):
    """What went wrong, as a problem document (RFC 9457), with the remedy beside it."""

    type: Annotated[str, Field(description="Always about:blank: the status says the kind.")] = "about:blank"
    title: Annotated[str, Field(description="The status in words.")]
    status: Annotated[int, Field(description="The HTTP status code.", ge=400, le=599)]
    detail: Annotated[str, Field(description="One sentence: what is wrong.")]
    where: Annotated[str, Field(description="In which parameter, header or record.")] = ""
    mend: Annotated[str, Field(description="One sentence: what to do about it.")] = ""


class AnswerError(Exception):
    """An answer other than the one asked for.  status: HTTP code.  what, where, mend: as in `ingest.errors`.

    more: further members of the problem document (RFC 9457, section 3.2), JSON-able.
    """

    def __init__(
        self,
        status: int,
        what: str,
        *,
        where: str = "",
        mend: str = "",
        headers: dict[str, str] | None = None,
        more: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(what)
        self.status = status
        self.what = what
        self.where = where
        self.mend = mend
        self.headers = headers
        self.more = dict(more or {})


_STATUS_BY_ERROR: Final[tuple[tuple[type[LumberroomError], int], ...]] = (
    (InputError, 400),
    (RefusedError, 403),
    (StorageError, 503),
    (LumberroomError, 500),
)

_HEADINGS: Final = {
    400: "That was not understood",
    404: "Nothing here",
    405: "Not in this way",
    500: "Our mistake",
    503: "Not just now",
}
"""How a page says a status; programs get its standard name."""


def install(app: FastAPI, pages: Pages | None) -> None:
    """Make every error of this application come out as a problem document or a page.

    pages: makes the pages; None where there is nothing but an interface for programs.
    """

    def answer(request: Request, refusal: AnswerError) -> Response:
        if pages is None or is_for_programs(request.url.path):
            return _document(refusal)
        title = _HEADINGS.get(refusal.status, _title(refusal.status))
        return pages.problem(refusal.status, title=title, detail=refusal.what, mend=refusal.mend)

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, AnswerError)
        return answer(request, error)

    async def ours(request: Request, error: Exception) -> Response:
        assert isinstance(error, LumberroomError)
        status = next(status for kind, status in _STATUS_BY_ERROR if isinstance(error, kind))
        headers = {"Retry-After": str(RETRY_AFTER_S)} if status == HTTPStatus.SERVICE_UNAVAILABLE else None
        return answer(request, AnswerError(status, error.what, where=error.where, mend=error.mend, headers=headers))

    async def by_status(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        return answer(request, _from_status(request, error))

    async def by_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return answer(request, _from_validation(error))

    async def bug(request: Request, error: Exception) -> Response:
        # Answered outside the middleware, hence the headers; the server logs the traceback.
        made = answer(request, AnswerError(500, "This went wrong, and it is our mistake.", mend="The log says more."))
        made.headers.update(dict(STRICT_HEADERS))
        return made

    app.add_exception_handler(Exception, bug)
    app.add_exception_handler(AnswerError, refused)
    app.add_exception_handler(LumberroomError, ours)
    app.add_exception_handler(HTTPException, by_status)
    app.add_exception_handler(RequestValidationError, by_validation)


def is_for_programs(path: str) -> bool:
    """Say whether an address belongs to the interface for programs (its errors are JSON)."""
    return path.startswith("/api/") or path in {"/health", "/live"}


def _document(refusal: AnswerError) -> JSONResponse:
    problem = Problem(
        title=_title(refusal.status),
        status=refusal.status,
        detail=refusal.what,
        where=refusal.where,
        mend=refusal.mend,
    )
    return JSONResponse(problem.model_dump() | refusal.more, refusal.status, refusal.headers, media_type=PROBLEM_TYPE)


_RENAMED: Final = {413: "Content Too Large", 422: "Unprocessable Content"}
"""As RFC 9110 calls them (section 15.5); older versions of Python know their older names."""


def _title(status: int) -> str:
    return _RENAMED.get(status) or HTTPStatus(status).phrase


def _from_status(request: Request, error: HTTPException) -> AnswerError:
    headers = dict(error.headers) if error.headers else None
    if error.status_code == 404:
        mend = "The addresses are listed at /api/openapi.json." if is_for_programs(request.url.path) else ""
        return AnswerError(404, "There is nothing at this address.", where=request.url.path, mend=mend, headers=headers)
    if error.status_code == 405:
        what = f"This address does not take {request.method}."
        allowed = (headers or {}).get("allow", (headers or {}).get("Allow", ""))
        return AnswerError(
            405, what, where=request.url.path, mend=f"Use {allowed}." if allowed else "", headers=headers
        )
    return AnswerError(error.status_code, str(error.detail), where=request.url.path, headers=headers)


def _from_validation(error: RequestValidationError) -> AnswerError:
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    name = str(first["loc"][-1])
    if first["type"] == "missing":
        return AnswerError(400, f"The parameter {name} is missing.", where=where, mend=f"Add {name}=… to the address.")
    given = first.get("input")
    shown = f", not {str(given)[:60]!r}" if isinstance(given, str | int | float) else ""
    said = str(first["msg"]).removeprefix("Input s").removeprefix("Value error, ")
    said = f"s{said}" if said.startswith("hould") else said
    return AnswerError(400, f"The parameter {name} {said}{shown}.", where=where, mend=f"Give {name} a value that fits.")
