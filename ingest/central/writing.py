"""Handing points to an engine: one request and what became of it, halving what is refused, and waiting. Blocks.

influxdb-client, synchronously. Never its own batching writer: that keeps points in memory only, gives up after a while,
and raises nothing (measured: 100 writes to a dead server return in 4 ms). Here every failure is an answer that says
what to do next.

A server that refuses one bad point throws its whole batch away (or stores half of it); which one it was, it often does
not say. Halving finds it in about 2 * log2(n) requests. Where the server refuses everything, no point is to blame: that
is told apart by a line known to be good, and nothing is set aside then.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, Any, Final, Protocol

from ingest.central.engine import EngineAddress, plainly, said_by

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException
import random

import structlog

from ingest.central.points import Point

LONGEST_RETRY_AFTER_S: Final = 3600.0


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


FIRST_S: Final = 2.0
LONGEST_S: Final = 300.0
CLOSED_S: Final = 60.0
"""The shortest wait where somebody must mend something first."""

_log = structlog.get_logger("lumberroom.central")


class Waiting:
    """Waits of 2, 4, 8 ... 300 s after one failure after another; a success forgets them."""

    def __init__(self, spread: float, chance: random.Random | None = None) -> None:
        """Take by what share a wait may differ (0 to 1)."""
        self.trouble = ""  # what the last failure was, a sentence; empty while all is well
        self.until_s = 0.0  # monotonic
        self.failed_s = -math.inf  # when it failed last (monotonic)
        self.away_s = -math.inf  # when nobody was there last
        self._spread = spread
        self._chance = chance or random.Random()  # noqa: S311 -- spreading, not secrecy
        self._failures = 0

    def put_off(self, later: Later, now_s: float) -> float:
        """Note a failure and give how long to wait (s).  now_s: monotonic."""
        wait_s = min(LONGEST_S, FIRST_S * 2.0 ** min(self._failures, 16))
        wait_s = max(wait_s, CLOSED_S) if later.closed else wait_s
        wait_s *= 1.0 - self._spread * self._chance.random()
        if later.after_s is not None:
            # Not before it asked for, and not all at the very same moment.
            wait_s = max(later.after_s, 1.0) * (1.0 + self._spread * self._chance.random())
        self._failures += 1
        self.failed_s = now_s
        if later.away:
            self.away_s = now_s
        self.until_s = now_s + wait_s
        if later.reason != self.trouble:
            _log.warning("forwarding waits", reason=later.reason, wait_s=round(wait_s, 1))
        self.trouble = later.reason
        return wait_s

    def went_well(self) -> None:
        """Start from the first wait again."""
        if self.trouble:
            _log.info("forwarding goes on", was=self.trouble)
        self.trouble, self._failures = "", 0


@dataclass(frozen=True, slots=True)
class Delivered:
    """What became of a batch.  refused: points that the server will not have, each with its words.

    later: why the batch, or the rest of it, has to be sent again; None where it is through.
    """

    accepted: int = 0
    refused: tuple[tuple[Point, str], ...] = ()
    later: Later | None = None


def deliver(
    writer: Writer,
    points: Sequence[Point],
    to_lines: Callable[[Sequence[Point]], list[str]],
    known_good: Callable[[], Sequence[str]],
    *,
    at_once: int,
) -> Delivered:
    """Hand over points, those of one instant together.

    to_lines: makes the lines of some of them.  known_good: gives lines that any working engine takes.
    at_once: points in one request.
    """
    in_order = sorted(points, key=lambda point: (point.at_ms, point.sensor, point.revision))
    waiting: list[Sequence[Point]] = [in_order[i : i + at_once] for i in range(0, len(in_order), at_once)]
    waiting.reverse()
    accepted, refused, proved_well = 0, list[tuple[Point, str]](), False
    while waiting:
        part = waiting.pop()
        answer = writer.write(to_lines(part))
        if isinstance(answer, Later):
            return Delivered(accepted, (), answer)
        if isinstance(answer, Accepted):
            accepted += len(part)
            proved_well = True
        elif len(part) > 1:
            middle = len(part) // 2
            waiting += [part[middle:], part[:middle]]
        else:
            if not proved_well and (trouble := _refuses_everything(writer.write(known_good()), answer)):
                return Delivered(accepted, (), trouble)
            proved_well = True
            refused.append((part[0], answer.said))
    return Delivered(accepted, tuple(refused))


def _refuses_everything(to_known_good: Answer, to_ours: Refused) -> Later | None:
    if isinstance(to_known_good, Accepted):
        return None
    if isinstance(to_known_good, Later):
        return to_known_good
    return Later(
        f"The central engine refuses everything ({to_ours.said}). Check address, bucket and its retention.", closed=True
    )
