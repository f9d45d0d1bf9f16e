"""The body of a request that hands readings in: its declared form, received within limits, and unpacked."""

from __future__ import annotations

import asyncio
import contextlib
import zlib
from collections.abc import Iterator
from typing import Final

from fastapi import Request
from starlette.requests import ClientDisconnect

from adapters.framing.senml_records import MAX_PACK_BYTES, Form
from dashboards.shell.problems import AnswerError

BODY_LIMIT_S: Final = 30.0
"""For the whole body to arrive (real seconds): who sends a byte now and then must not hold a place for good."""

MOST_HELD_BYTES: Final = 32_000_000
"""Of all bodies that are being received at once; more than these must come again later."""

FORMS: Final = {form.value: form for form in (Form.JSON, Form.CBOR)}
GZIP: Final = ("gzip", "x-gzip")


class Held:
    """How many bytes of bodies are held just now, of all requests together."""

    def __init__(self, most: int = MOST_HELD_BYTES) -> None:
        self._most = most
        self.now = 0

    @contextlib.contextmanager
    def room(self) -> Iterator[_Room]:
        """Give room for one body; it is free again after the block."""
        mine = _Room(self)
        try:
            yield mine
        finally:
            self.now -= mine.taken

    def take(self, count: int) -> None:
        """Take room. Raises AnswerError (503)."""
        if self.now + count > self._most:
            raise AnswerError(
                503,
                "Too much is being received at once.",
                mend="Send it again in a few seconds.",
                headers={"Retry-After": "5", "Connection": "close"},
            )
        self.now += count


class _Room:
    def __init__(self, held: Held) -> None:
        self._held = held
        self.taken = 0

    def take(self, count: int) -> None:
        self._held.take(count)
        self.taken += count


def form_of(request: Request) -> Form:
    """Give the form in which the body says that it is written. Raises AnswerError (415)."""
    given = request.headers.get("content-type", "")
    form = FORMS.get(given.partition(";")[0].strip().lower())
    if form is None:
        raise AnswerError(
            415,
            f"The body is declared as {given[:60]!r}." if given else "The body's type is not declared.",
            where="Content-Type",
            mend=f"Send a SenML pack with `Content-Type: {Form.JSON.value}`, or {Form.CBOR.value} for CBOR.",
            headers={"Accept-Post": ", ".join(FORMS)},
        )
    return form


def is_packed(request: Request) -> bool:
    """Say whether the body is compressed by gzip. Raises AnswerError (415) for any other coding."""
    given = request.headers.get("content-encoding", "").strip().lower()
    if given in {"", "identity"}:
        return False
    if given in GZIP:
        return True
    raise AnswerError(
        415,
        f"The body is coded as {given[:60]!r}.",
        where="Content-Encoding",
        mend="Send it plain, or with `Content-Encoding: gzip`.",
        headers={"Accept-Encoding": "gzip"},  # RFC 9110, section 12.5.3
    )


async def received(request: Request, held: Held, *, limit_s: float = BODY_LIMIT_S) -> bytes:
    """Receive the body and unpack it.

    Raises AnswerError: 413 (larger than a pack may be, as it comes or unpacked), 408 (it did not come in time), 400 (it
    was cut off, or is no gzip), 503 (too much is received at once).
    """
    packed = is_packed(request)
    _check_declared(request)
    with held.room() as room:
        try:
            async with asyncio.timeout(limit_s):
                body = await _limited(request, room)
        except TimeoutError:
            raise AnswerError(
                408,
                f"The body did not come within {limit_s:g} s.",
                where="body",
                mend="Send smaller packs, or over a better line.",
                headers={"Connection": "close"},
            ) from None
        except ClientDisconnect:
            raise AnswerError(
                400, "The body was cut off.", where="body", mend="Send it again.", headers={"Connection": "close"}
            ) from None
        return unpacked(body) if packed else body


def _check_declared(request: Request) -> None:
    declared = request.headers.get("content-length", "")
    if declared.isascii() and declared.isdigit() and (len(declared) > 12 or int(declared) > MAX_PACK_BYTES):
        raise _too_large()


async def _limited(request: Request, room: _Room) -> bytes:
    """Read the body, counting: what a header says, or leaves out (a chunked body), is not what comes."""
    body = bytearray()
    async for chunk in request.stream():
        if len(body) + len(chunk) > MAX_PACK_BYTES:
            raise _too_large()
        room.take(len(chunk))
        body += chunk
    return bytes(body)


def _too_large() -> AnswerError:
    return AnswerError(
        413,
        f"The body is larger than {MAX_PACK_BYTES} bytes.",
        where="body",
        mend="Send the readings in several smaller packs.",
        headers={"Connection": "close"},
    )


def unpacked(body: bytes) -> bytes:
    """Unpack gzip (RFC 1952), its members one after the other, and never more than a pack may be.

    Raises AnswerError: 413 when it would be larger, 400 when it is no gzip or was cut off.
    """
    out = bytearray()
    rest = body
    try:
        while rest:
            member = zlib.decompressobj(wbits=31)
            out += member.decompress(rest, MAX_PACK_BYTES + 1 - len(out))
            if len(out) > MAX_PACK_BYTES:
                raise _too_large()
            if not member.eof:
                raise zlib.error("it ends too early")
            rest = member.unused_data
    except zlib.error as error:
        raise AnswerError(
            400, f"The body is no whole gzip ({error}).", where="body", mend="Send it again, or plain."
        ) from None
    return bytes(out)
