"""Handing lines to the engine: influxdb-client, synchronously, one request, and what became of it. Blocks.

Never the client's own batching writer: it keeps points in memory only, gives up after a while, and raises nothing
(measured: 100 writes to a dead server return in 4 ms). Here every failure is an answer that says what to do next.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, Any, Final, Protocol

from ingest.central.engine import EngineAddress

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException

LONGEST_SAID: Final = 300
"""No more of a server's words than this is kept."""

LONGEST_RETRY_AFTER_S: Final = 3600.0

_OBJECT: Final = re.compile(r"^(<[^>]*>|\w+\([^)]*\)): ")


@dataclass(frozen=True, slots=True)
class Accepted:
    """The server took the request (2xx). No proof yet that everything in it is stored."""


@dataclass(frozen=True, slots=True)
class Refused:
    """The server refuses what is in the request: some of it, or all.  said: its words."""

    said: str


@dataclass(frozen=True, slots=True)
class Later:
    """It may work when tried again.  reason: a sentence.  after_s: when the server wants to be asked again, if it said.

    closed: trying again changes nothing until somebody mends something (token, bucket, address).
    away: nobody answered at all; a server that comes back may have lost what it took last.
    """

    reason: str
    after_s: float | None = None
    closed: bool = False
    away: bool = False


Answer = Accepted | Refused | Later


class Writer(Protocol):
    """A way to an engine."""

    def write(self, lines: Sequence[str]) -> Answer:
        """Hand over lines (times in ms) in one request and say what became of it. Blocks; raises nothing foreseen."""
        ...


class InfluxWriter:
    """Writes through influxdb-client; satisfies `Writer`."""

    def __init__(self, address: EngineAddress, *, now: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        """Take the address.  now: for a Retry-After that names a date."""
        self.address = address
        self._now = now
        self._api: Any = None

    def write(self, lines: Sequence[str]) -> Answer:
        """Hand over lines in one gzipped request."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            self._writer().write(
                bucket=self.address.bucket or "lumberroom",
                org=self.address.org or "-",
                record="\n".join(lines),
                write_precision="ms",
            )
        except ApiException as error:
            return self._answer(error)
        except (HTTPError, OSError) as error:
            reason = f"The central engine at {self.address.url} cannot be reached: {plainly(error)}."
            return Later(reason, away=True)
        return Accepted()

    def _writer(self) -> Any:
        if self._api is None:
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS

            client = InfluxDBClient(
                url=self.address.url,
                token=self.address.token or "-",
                org=self.address.org or "-",
                enable_gzip=True,
                timeout=round(self.address.timeout_s * 1000),
                auth_basic=self.address.basic,
                ssl_ca_cert=None if self.address.ca_file is None else str(self.address.ca_file),
            )
            self._api = client.write_api(write_options=SYNCHRONOUS)
        return self._api

    def _answer(self, error: ApiException) -> Answer:
        status, said = int(error.status or 0), said_by(error.body, str(error.reason or ""))
        where = f"The central engine at {self.address.url}"
        if status in (400, 413, 422):
            return Refused(said or f"HTTP {status}")
        if status in _MENDS:
            return Later(f"{where} says {status} ({said}). {_MENDS[status]}", closed=True)
        if status == 0:
            return Later(
                f"No secure connection with {self.address.url} ({said}). Check address and ca_file.", None, True
            )
        headers: Mapping[str, str] = error.headers or {}
        after_s = retry_after_s(headers.get("Retry-After"), self._now())
        return Later(f"{where} wants to be asked again later: {status} ({said}).", after_s)


_MENDS: Final[dict[int, str]] = {
    301: "It has moved: mend address under [central].",
    302: "It sends us elsewhere: mend address under [central]; a login page may stand before it.",
    307: "It has moved: mend address under [central].",
    308: "It has moved: mend address under [central].",
    401: "Check the token under [central], and that it may write to the bucket.",
    403: "The token may not write there: check it, and the bucket, under [central].",
    404: "There is no such bucket or address: check address, org and bucket under [central].",
    405: "It takes no writes at this address: mend address under [central].",
}


def retry_after_s(header: str | None, now: datetime) -> float | None:
    """Give the seconds that a Retry-After header asks for (RFC 9110, section 10.2.3), an hour at most; None if none."""
    if not header:
        return None
    try:
        seconds = float(header)
    except ValueError:
        try:
            seconds = (parsedate_to_datetime(header) - now).total_seconds()
        except (ValueError, TypeError):
            return None
    return min(max(seconds, 0.0), LONGEST_RETRY_AFTER_S) if math.isfinite(seconds) else None


def said_by(body: object, reason: str) -> str:
    """Give a server's own words, on one line and not too long: the message of its JSON, or its text."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    try:
        parsed = json.loads(text)
    except ValueError:
        parsed = None
    if isinstance(parsed, dict):
        text = str(parsed.get("message") or parsed.get("error") or text)
    words = " ".join("".join(c if c.isprintable() else " " for c in text or reason).split())
    return words[:LONGEST_SAID].rstrip(".")


def plainly(error: BaseException) -> str:
    """Say what kept a connection from coming about, without urllib3's names for its own parts."""
    from urllib3.exceptions import MaxRetryError

    if isinstance(error, MaxRetryError) and error.reason is not None:
        error = error.reason
    words = _OBJECT.sub("", " ".join(str(error).split()))
    return (words or type(error).__name__)[:LONGEST_SAID].rstrip(".")
