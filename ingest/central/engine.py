"""The contract of a central engine: what is asked of it, whatever its query language.

Every function blocks; call them from a thread. They raise `EngineError` when the engine cannot be asked, with a
sentence that says how to mend it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

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
