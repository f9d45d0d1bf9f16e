"""The way in for readings over HTTP: a SenML pack (RFC 8428) with a bearer token, stored before it is answered."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from fastapi import APIRouter, Request

from adapters.framing.senml import decode_pack
from adapters.framing.senml_records import MAX_PACK_BYTES, Form
from dashboards.access import bearer_token
from dashboards.api_models import ReceivedAnswer, RejectionAnswer
from dashboards.openapi import PUSH_TOKEN
from dashboards.problems import AnswerError
from dashboards.services import Services, Submitted

MOST_REJECTIONS_SHOWN: Final = 100

_FORMS: Final = {form.value: form for form in (Form.JSON, Form.CBOR)}
_BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": f"A SenML pack (RFC 8428) of at most {MAX_PACK_BYTES} bytes.",
        "content": {
            Form.JSON.value: {"schema": {"type": "array", "items": {"type": "object"}}},
            Form.CBOR.value: {"schema": {"type": "string", "format": "binary"}},
        },
    },
    "security": [{PUSH_TOKEN: []}],
}


def add(made: APIRouter, services: Services) -> None:
    """Add the route."""

    @made.post(
        "/api/v1/readings",
        status_code=202,
        tags=["readings"],
        summary="Hand readings in",
        openapi_extra=_BODY,
        response_description="Stored durably; each record that was not is named",
    )
    async def readings(request: Request) -> ReceivedAnswer:
        # Who may is settled before what is read: a stranger's megabyte is not even received.
        _check_token(services, request)
        form = _form(request)
        body = await _limited_body(request)
        decoded = await asyncio.to_thread(decode_pack, body, services.clock.now_ms(), form=form)
        if not decoded.readings and decoded.rejections:
            first = decoded.rejections[0]
            raise AnswerError(
                400,
                f"Nothing in this pack could be read: {first.reason} ({first.detail[:120]}).",
                where="body",
                mend="Send a SenML pack (RFC 8428) with names, units and values as PROTOCOL.md says.",
            )
        submitted = await services.submit(decoded.readings, source="http")
        return _received(Submitted(submitted.appended, (*decoded.rejections, *submitted.rejections)))


def _check_token(services: Services, request: Request) -> None:
    token = bearer_token(request.headers.get("authorization"))
    if token is None or not services.push_token_matches(token):
        raise AnswerError(
            401,
            "Handing readings in needs a token." if token is None else "This token is not known here.",
            where="Authorization",
            mend="Send `Authorization: Bearer TOKEN` with the push token of this site's wiring file.",
            headers={"WWW-Authenticate": 'Bearer realm="lumberroom"'},
        )


def _form(request: Request) -> Form:
    """Give the form in which the body says that it is written."""
    given = request.headers.get("content-type", "")
    form = _FORMS.get(given.partition(";")[0].strip().lower())
    if form is None:
        raise AnswerError(
            415,
            f"The body is declared as {given[:60]!r}." if given else "The body's type is not declared.",
            where="Content-Type",
            mend=f"Send a SenML pack with `Content-Type: {Form.JSON.value}`, or {Form.CBOR.value} for CBOR.",
            headers={"Accept-Post": ", ".join(_FORMS)},
        )
    return form


async def _limited_body(request: Request) -> bytes:
    """Read the body, counting: what a header says, or leaves out (a chunked body), is not what comes."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MAX_PACK_BYTES:
            raise AnswerError(
                413,
                f"The body is larger than {MAX_PACK_BYTES} bytes.",
                where="body",
                mend="Send the readings in several smaller packs.",
                headers={"Connection": "close"},
            )
    return bytes(body)


def _received(submitted: Submitted) -> ReceivedAnswer:
    stored, repeated, amended, too_late = submitted.appended
    shown = [
        RejectionAnswer(reason=one.reason, detail=one.detail, sensor=one.sensor)
        for one in submitted.rejections[:MOST_REJECTIONS_SHOWN]
    ]
    return ReceivedAnswer(
        stored=stored,
        repeated=repeated,
        amended=amended,
        rejected=len(submitted.rejections) + too_late,
        rejections=shown,
    )
