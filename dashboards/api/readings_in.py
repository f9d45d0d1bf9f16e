"""The way in for readings over HTTP: a SenML pack (RFC 8428) with a bearer token, stored before it is answered.

Each record is judged by itself, and the answer says of each that was refused which it is and why. Sent again, a pack
with absolute times has the same outcome.
"""

from __future__ import annotations

import asyncio
from http import HTTPStatus
from typing import Any, Final, NamedTuple

from fastapi import APIRouter, Request, Response

from adapters.contract import Reading, Rejection, Why, rejection
from adapters.framing.senml import Numbered, decode_numbered
from adapters.framing.senml_records import MAX_PACK_BYTES, Form
from dashboards.api.doorkeeping import WIRED, Doorkeeper
from dashboards.api.models import ReadingsProblem, ReceivedAnswer, RejectionAnswer
from dashboards.api.openapi import PUSH_TOKEN
from dashboards.api.push_body import Held, form_of, received
from dashboards.services import DeviceRight, Services, Submitted
from dashboards.shell.problems import PROBLEM_TYPE, AnswerError
from ingest.store.api import Appended

ADDRESS: Final = "/api/v1/readings"
MOST_REJECTIONS_SHOWN: Final = 100

_BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": f"A SenML pack (RFC 8428) of at most {MAX_PACK_BYTES} bytes; it may be compressed by gzip.",
        "content": {
            Form.JSON.value: {"schema": {"type": "array", "items": {"type": "object"}}},
            Form.CBOR.value: {"schema": {"type": "string", "format": "binary"}},
        },
    },
    "security": [{PUSH_TOKEN: []}],
}
_RECORDS_PROBLEM: Final[dict[str, Any]] = {
    "content": {PROBLEM_TYPE: {"schema": {"$ref": f"#/components/schemas/{ReadingsProblem.__name__}"}}}
}
_ANSWERS: Final[dict[int | str, dict[str, Any]]] = {
    207: {"model": ReceivedAnswer, "description": "Some stored durably; each record that was not is named"},
    400: _RECORDS_PROBLEM | {"description": "Not a pack at all; sending it again will not help"},
    403: _RECORDS_PROBLEM | {"description": "The key may write none of these sensors"},
    422: _RECORDS_PROBLEM | {"description": "A pack, but not one of its records could be taken"},
}


class _Refused(NamedTuple):
    """A record that was not taken.  record: which, counted from 0; None for the pack as a whole."""

    record: int | None
    rejection: Rejection


def add(made: APIRouter, services: Services, *, wired: bool = True) -> None:
    """Add the route.  wired: whether the push token of the settings file is taken, beside keys of devices."""
    door, held = Doorkeeper(services, wired=wired), Held()

    @made.post(
        ADDRESS,
        status_code=202,
        tags=["readings"],
        summary="Hand readings in",
        openapi_extra=_BODY,
        responses=_ANSWERS,
        response_description="All stored durably",
    )
    async def readings(request: Request, response: Response) -> ReceivedAnswer:
        # Who may is settled before what is read: a stranger's megabyte is not even received.
        right = await door.admit(request)
        form = form_of(request)
        body = await received(request, held)
        decoded = await asyncio.to_thread(decode_numbered, body, services.clock.now_ms(), form=form)
        door.charge(right, len(decoded.readings) + len(decoded.rejections))
        submitted, refused = await _submit(services, right, decoded)
        if refused and not sum(submitted[:3]):
            raise _nothing_taken(right, refused)
        if refused:
            response.status_code = HTTPStatus.MULTI_STATUS
        return _answer(submitted, refused)


async def _submit(services: Services, right: DeviceRight, decoded: Numbered) -> tuple[Appended, list[_Refused]]:
    """Hand on what the sender may write; give what became of it, and what was refused in the order of the pack."""
    taken: list[Reading] = []
    taken_of: list[int] = []
    refused = [_Refused(*one) for one in zip(decoded.rejected_of, decoded.rejections, strict=True)]
    for record, reading in zip(decoded.read_of, decoded.readings, strict=True):
        if right.allows(reading.sensor):
            taken.append(reading)
            taken_of.append(record)
        else:
            refused.append(_Refused(record, rejection(Why.NOT_ALLOWED, reading.sensor, reading.sensor)))
    source = "http" if right is WIRED else f"key {right.name}"
    submitted = await services.submit(taken, source=source) if taken else Submitted(Appended(0, 0, 0))
    refused += [
        _Refused(taken_of[number], one) for number, one in zip(submitted.refused, submitted.rejections, strict=True)
    ]
    return submitted.appended, sorted(refused, key=lambda one: -1 if one.record is None else one.record)


def _nothing_taken(right: DeviceRight, refused: list[_Refused]) -> AnswerError:
    first = refused[0]
    reason, detail, _ = first.rejection
    more = {"rejected": len(refused), "rejections": [one.model_dump() for one in _shown(refused)]}
    if first.record is None:
        status = HTTPStatus.REQUEST_ENTITY_TOO_LARGE if reason == Why.TOO_LONG else HTTPStatus.BAD_REQUEST
        return AnswerError(
            status,
            f"Nothing in this pack could be read: {reason} ({detail[:120]}).",
            where="body",
            mend="Send a SenML pack (RFC 8428) with names, units and values as PROTOCOL.md says.",
            more=more,
        )
    if any(one.rejection.reason == Why.CLOCK for one in refused):
        return AnswerError(
            503,
            "This computer's clock is wrong, so that nothing can be dated by it.",
            where="the clock of the receiver",
            mend="Keep the readings and send them again later; whoever keeps this computer sets its clock.",
            headers={"Retry-After": "300"},
            more=more,
        )
    if all(one.rejection.reason == Why.NOT_ALLOWED for one in refused):
        return AnswerError(
            403,
            f"The key of {right.name} may not write {detail[:120]}.",
            where="body",
            mend=f"It may write {', '.join(right.sensors)[:200]}; give the device a key for its own sensors.",
            more=more,
        )
    return AnswerError(
        422,
        f"Not one record of this pack could be taken; the first of them: {reason} ({detail[:120]}).",
        where=f"record {first.record}",
        mend="See each record's reason, and what to look at in PROTOCOL.md, section 8.",
        more=more,
    )


def _shown(refused: list[_Refused]) -> list[RejectionAnswer]:
    return [
        RejectionAnswer(record=record, reason=one.reason, detail=one.detail, sensor=one.sensor)
        for record, one in refused[:MOST_REJECTIONS_SHOWN]
    ]


def _answer(appended: Appended, refused: list[_Refused]) -> ReceivedAnswer:
    return ReceivedAnswer(
        stored=appended.stored,
        repeated=appended.repeated,
        amended=appended.amended,
        rejected=len(refused) + appended.too_late,
        rejections=_shown(refused),
    )
