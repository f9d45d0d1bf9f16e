"""A central engine: the contract of asking it, whatever its query language, its address, and how it is asked. Blocks.

The functions of an engine raise `EngineError` when it cannot be asked, with a sentence that says how to mend it. They
may hang on a network for long: call them from a thread, such as `OwnThread`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import queue
import re
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, Protocol, TypeVar

from ingest.errors import TransientError
from ingest.site.series import Floats, Int64s

EngineKind = Literal["victoriametrics", "influxdb"]


class EngineError(TransientError):
    """The central engine could not be asked, or said no."""


@dataclass(frozen=True, slots=True)
class EngineSeries:
    """Samples of one field under one set of tags.  at_ms: int64 (n,), not always in order.  value: float64 (n,)."""

    field: str
    tags: Mapping[str, str]
    at_ms: Int64s
    value: Floats


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which series are asked for: fields of one measurement, whose tags are as given: a value, or any of several."""

    measurement: str
    fields: tuple[str, ...]
    tags: Mapping[str, str | tuple[str, ...]]


class Engine(Protocol):
    """Reading from a central engine."""

    def samples(self, wanted: Wanted, from_ms: int, to_ms: int) -> list[EngineSeries]:
        """Give every sample with from_ms <= instant < to_ms."""
        ...

    def newest(self, wanted: Wanted, from_ms: int, to_ms: int) -> list[EngineSeries]:
        """Give the newest sample of each series among those with from_ms <= instant < to_ms."""
        ...

    def extents(self, wanted: Wanted, from_ms: int, to_ms: int) -> Sequence[tuple[EngineSeries, int]]:
        """Give each series with its first and last sample (two samples, or one and the same twice) and its count."""
        ...

    def counts(self, wanted: Wanted, from_ms: int, to_ms: int, step_ms: int) -> Int64s:
        """Give how many samples of all these series together lie in each step from from_ms on.

        to_ms - from_ms: a multiple of step_ms.  int64 (n,).
        """
        ...

    def check(self) -> None:
        """Raise EngineError unless the engine answers and is well."""
        ...


@dataclass(frozen=True, slots=True)
class EngineAddress:
    """Where an engine is and how to be let in.

    url: without a slash at the end.  token: an API token, or "user:password" where `basic`; None where none is needed.
    read_url: where queries go, if not to `url` (a cluster has other addresses for reading).
    """

    url: str
    org: str = ""
    bucket: str = ""
    token: str | None = field(default=None, repr=False)
    kind: EngineKind = "victoriametrics"
    read_url: str = ""
    ca_file: Path | None = None
    timeout_s: float = 20.0

    @property
    def basic(self) -> bool:
        """Whether the token is "user:password", for basic authentication."""
        return self.token is not None and ":" in self.token

    @property
    def for_reading(self) -> str:
        """Where queries go."""
        return self.read_url or self.url


_CONNECTIONS: Final = 4

LONGEST_SAID: Final = 300
"""No more of a server's words than this is kept."""

_OBJECT: Final = re.compile(r"^(<[^>]*>|\w+\([^)]*\)): ")


class Asking:
    """HTTP requests to one engine, by any thread."""

    def __init__(self, address: EngineAddress) -> None:
        import urllib3

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
        from urllib3.exceptions import HTTPError

        where = self.address.for_reading
        try:
            if method == "POST":
                answer = self._pool.request_encode_body(
                    method, f"{where}{path}", fields=dict(fields), encode_multipart=False
                )
            else:
                answer = self._pool.request_encode_url(method, f"{where}{path}", fields=dict(fields))
        except (HTTPError, OSError) as error:
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


T = TypeVar("T")


class OwnThread:
    """Runs one piece of work after another. Use it from one event loop; `close` when done."""

    def __init__(self, name: str) -> None:
        self._work: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        threading.Thread(target=self._run, name=name, daemon=True).start()

    async def run(self, work: Callable[[], T]) -> T:
        """Run `work` in the thread and give what it gives, or raise what it raises.

        Cancelled, it returns at once; the work goes on in the thread and what it gives is dropped.
        """
        loop = asyncio.get_running_loop()
        done: asyncio.Future[T] = loop.create_future()

        def tell(set_it: Callable[[Any], None], what: Any) -> None:
            if not done.cancelled():
                set_it(what)

        def job() -> None:
            try:
                given = work()
            except BaseException as error:  # noqa: BLE001 -- handed over to whoever awaits
                answer: tuple[Any, Any] = (done.set_exception, error)
            else:
                answer = (done.set_result, given)
            with contextlib.suppress(RuntimeError):  # the loop has ended, nobody waits any more
                loop.call_soon_threadsafe(tell, *answer)

        self._work.put(job)
        return await done

    def close(self) -> None:
        """Let the thread end after what it is doing."""
        self._work.put(None)

    def _run(self) -> None:
        while (job := self._work.get()) is not None:
            job()
