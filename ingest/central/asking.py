"""Asking an engine over HTTP, connections kept open; every failure a sentence with its mend. Blocks."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

import urllib3

from ingest.central.engine import EngineAddress, EngineError
from ingest.central.writing import plainly, said_by

_CONNECTIONS: Final = 4


class Asking:
    """HTTP requests to one engine, by any thread."""

    def __init__(self, address: EngineAddress) -> None:
        self.address = address
        headers = urllib3.make_headers(basic_auth=address.token) if address.basic else {}
        if address.token is not None and not address.basic:
            headers["Authorization"] = f"Token {address.token}"
        self._pool = urllib3.PoolManager(
            maxsize=_CONNECTIONS,
            headers=headers,
            timeout=urllib3.Timeout(connect=min(5.0, address.timeout_s), read=address.timeout_s),
            retries=False,
            ca_certs=None if address.ca_file is None else str(address.ca_file),
        )

    def post(self, path: str, fields: Mapping[str, str]) -> bytes:
        """Ask with a form and give the body of a 200. Raises EngineError."""
        return self._request("POST", path, fields)

    def get(self, path: str, fields: Mapping[str, str] | None = None) -> bytes:
        """Ask and give the body of a 2xx. Raises EngineError."""
        return self._request("GET", path, fields or {})

    def _request(self, method: str, path: str, fields: Mapping[str, str]) -> bytes:
        where = self.address.for_reading
        try:
            if method == "POST":
                answer = self._pool.request_encode_body(
                    method, f"{where}{path}", fields=dict(fields), encode_multipart=False
                )
            else:
                answer = self._pool.request_encode_url(method, f"{where}{path}", fields=dict(fields))
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise EngineError(
                f"the central engine cannot be reached: {plainly(error)}",
                where=where,
                mend="It is asked again by itself.",
            ) from error
        if not 200 <= answer.status <= 299:
            raise EngineError(
                f"the central engine answered {answer.status} ({said_by(answer.data, str(answer.reason))})",
                where=where,
                mend="Check the token and that it may read." if answer.status in (401, 403) else "Check its address.",
            )
        return answer.data


def parsed(body: bytes, where: str) -> Any:
    """Give the JSON of a body. Raises EngineError where it is none."""
    try:
        return json.loads(body)
    except ValueError:
        raise EngineError(
            "this does not answer as a central engine does", where=where, mend="Check the address under [central]."
        ) from None
