"""Reading from InfluxDB by InfluxQL over HTTP (`/query`), the query path that its versions 1, 2 and 3 share. Blocks.

Run against a real InfluxDB 1.6.7 (Debian's). Not run against 2.x or 3.x: no server of those could be had. What is
known of them from InfluxData's documentation: 2.x answers `/query` for a bucket by its name where no other mapping
stands ("virtual DBRP mappings", 2.3 to 2.7); 3.x keeps the endpoint for its databases.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ingest.central.asking import Asking, parsed
from ingest.central.engine import EngineAddress, EngineError, EngineSeries, Wanted
from ingest.site.series import Int64s


class InfluxEngine:
    """Reads one InfluxDB; satisfies `engine.Engine`."""

    def __init__(self, address: EngineAddress) -> None:
        self._asking = Asking(address)
        self._bucket = address.bucket

    def samples(self, wanted: Wanted, from_ms: int, to_ms: int) -> list[EngineSeries]:
        """Give every sample with from_ms <= instant < to_ms."""
        fields = ", ".join(_name(field) for field in wanted.fields)
        found = []
        for one in self._ask([f"SELECT {fields} {_from(wanted, from_ms, to_ms)}"])[0]:
            rows = one["values"]
            for column, field in enumerate(one["columns"][1:], 1):
                kept = [(row[0], row[column]) for row in rows if row[column] is not None]
                if kept:
                    at_ms, value = zip(*kept, strict=True)
                    found.append(_series(field, one, at_ms, value))
        return found

    def newest(self, wanted: Wanted, from_ms: int, to_ms: int) -> list[EngineSeries]:
        """Give the newest sample of each series among those with from_ms <= instant < to_ms."""
        asked = [f"SELECT LAST({_name(field)}) {_from(wanted, from_ms, to_ms)}" for field in wanted.fields]
        answers = self._ask(asked)
        return [
            _series(field, one, (one["values"][0][0],), (one["values"][0][1],))
            for field, series in zip(wanted.fields, answers, strict=True)
            for one in series
        ]

    def extents(self, wanted: Wanted, from_ms: int, to_ms: int) -> Sequence[tuple[EngineSeries, int]]:
        """Give each series with its first and last sample and its count."""
        where = _from(wanted, from_ms, to_ms)
        found = []
        for field in wanted.fields:
            asked = [f"SELECT {what}({_name(field)}) {where}" for what in ("COUNT", "FIRST", "LAST")]
            # With one selector alone, a row bears the instant of the sample that it gives.
            counts, firsts, lasts = ({_tags(one): one for one in series} for series in self._ask(asked))
            for tags, one in counts.items():
                ends = [at[tags]["values"][0] for at in (firsts, lasts)]
                at_ms, value = zip(*((row[0], row[1]) for row in ends), strict=True)
                found.append((_series(field, one, at_ms, value), int(one["values"][0][1])))
        return found

    def counts(self, wanted: Wanted, from_ms: int, to_ms: int, step_ms: int) -> Int64s:
        """Give how many samples of all these series together lie in each step from from_ms on."""
        counts = np.zeros((to_ms - from_ms) // step_ms, dtype=np.int64)
        steps = f"time({step_ms}ms, {from_ms % step_ms}ms) fill(none)"
        where = _from(wanted, from_ms, to_ms).removesuffix("*") + steps
        asked = [f"SELECT COUNT({_name(field)}) {where}" for field in wanted.fields]
        for answer in self._ask(asked) if len(counts) else []:
            for one in answer:
                for at_ms, count in one["values"]:
                    counts[(at_ms - from_ms) // step_ms] += count
        return counts

    def check(self) -> None:
        """Raise EngineError unless it answers and the bucket can be read."""
        self._ask([f"SHOW FIELD KEYS FROM {_name('lumberroom')}"])

    def _ask(self, statements: list[str]) -> list[list[dict[str, Any]]]:
        """Give the series of each statement's answer."""
        where = self._asking.address.for_reading
        form = {"db": self._bucket, "epoch": "ms", "q": "; ".join(statements)}
        answer = parsed(self._asking.post("/query", form), where)
        results = answer.get("results", []) if isinstance(answer, dict) else []
        for result in results:
            if "error" in result:
                raise EngineError(f"InfluxDB said no: {result['error']}", where=where, mend="Check bucket and token.")
            if result.get("partial"):
                raise EngineError("InfluxDB gave a part of the answer only", where=where, mend="Lift its row limit.")
        if len(results) != len(statements):
            raise EngineError("this does not answer as InfluxDB does", where=where, mend="Check its address.")
        return [result.get("series", []) for result in results]


def _from(wanted: Wanted, from_ms: int, to_ms: int) -> str:
    tags = "".join(f" AND {_matches(name, value)}" for name, value in sorted(wanted.tags.items()))
    return f"FROM {_name(wanted.measurement)} WHERE time >= {from_ms}ms AND time < {to_ms}ms{tags} GROUP BY *"


def _matches(name: str, value: str | tuple[str, ...]) -> str:
    if isinstance(value, str):
        return f"{_name(name)} = {_text(value)}"
    return "(" + " OR ".join(f"{_name(name)} = {_text(one)}" for one in value) + ")"


def _name(name: str) -> str:
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _text(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{escaped}'"


def _tags(one: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(one.get("tags", {}).items()))


def _series(field: str, one: dict[str, Any], at_ms: Sequence[int], value: Sequence[float]) -> EngineSeries:
    tags = {name: text for name, text in one.get("tags", {}).items() if text}
    return EngineSeries(field, tags, np.array(at_ms, dtype=np.int64), np.array(value, dtype=np.float64))
