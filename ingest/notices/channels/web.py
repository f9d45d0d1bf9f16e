"""One request to a web address, and the beginning of its answer: within a stated time, whatever the other side does."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Mapping
from pathlib import Path

import httpx2

from ingest.notices.letters.story import one_line

QUOTED_BYTES = 300
"""So much of an answer is read where nothing else is asked for: enough to quote it."""


class NoAnswerError(Exception):
    """The other side was not reached, or gave no whole answer. Its text says why, for the middle of a sentence."""


class NotTrustedError(NoAnswerError):
    """Its certificate is not to be trusted."""


class NoSuchServerError(NoAnswerError):
    """There is no server of that name."""


async def answer(
    method: str,
    address: str,
    *,
    timeout_s: float,
    body: bytes = b"",
    headers: Mapping[str, str] | None = None,
    ca_file: Path | None = None,
    most_bytes: int = QUOTED_BYTES,
) -> tuple[int, str]:
    """Ask and give status and beginning of the answer.

    address: http or https; redirections are not followed.  timeout_s: for all of it together: a server that drips a
    byte now and then would outlast any limit on a single step.  ca_file: certificates to trust instead of the system's.
    Raises NoAnswerError.
    """
    try:
        async with asyncio.timeout(timeout_s):
            context = await asyncio.to_thread(
                ssl.create_default_context, cafile=None if ca_file is None else str(ca_file)
            )
            async with httpx2.AsyncClient(verify=context, timeout=timeout_s, trust_env=False) as client:
                headers = {"User-Agent": "lumberroom", "Accept-Encoding": "identity"} | dict(headers or {})
                async with client.stream(method, address, content=body, headers=headers) as given:
                    said = b""
                    async for piece in given.aiter_raw():
                        said += piece
                        if len(said) >= most_bytes:
                            break
                    return given.status_code, said[:most_bytes].decode("utf-8", "replace")
    except TimeoutError:
        raise NoAnswerError(f"no answer within {timeout_s:g} s") from None
    except (httpx2.HTTPError, httpx2.InvalidURL, OSError, ValueError) as error:
        raise _as_no_answer(error) from error


def _as_no_answer(error: BaseException) -> NoAnswerError:
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return NotTrustedError(one_line(cause.verify_message))
        if isinstance(cause, socket.gaierror):
            return NoSuchServerError(one_line(cause.strerror or str(cause)))
        cause = cause.__cause__ or cause.__context__
    return NoAnswerError(one_line(str(error)) or type(error).__name__)
