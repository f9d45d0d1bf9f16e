"""Reading from an engine by the query language that it speaks: MetricsQL or InfluxQL. Blocks.

VictoriaMetrics: raw samples by its export, newest and extents by MetricsQL. A field becomes a metric of its own
(`lumberroom_temperature_c`), a tag a label. Run against Debian's 1.79.5. What it does that one must know: an instant
query near now is moved 30 s into the past unless `nocache=1`; a window [d] at T is (T - d, T]; what was written is
visible after 0.2 to 10 s; the same instant written twice is kept twice unless the server runs with
-dedup.minScrapeInterval=1ms, and `series` counts it once either way.

InfluxDB: by InfluxQL over HTTP (`/query`), the query path that its versions 1, 2 and 3 share. Run against a real
InfluxDB 1.6.7 (Debian's). Not run against 2.x or 3.x: no server of those could be had. What is known of them from
InfluxData's documentation: 2.x answers `/query` for a bucket by its name where no other mapping stands ("virtual DBRP
mappings", 2.3 to 2.7); 3.x keeps the endpoint for its databases.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from ingest.central.engine import Asking, Engine, EngineAddress, EngineError, EngineSeries, Wanted, parsed
from ingest.site.series import Int64s


def engine_of(address: EngineAddress) -> Engine:
    """Give the engine at an address, for reading; nothing is asked of it yet."""
    return InfluxEngine(address) if address.kind == "influxdb" else MetricsEngine(address)


class MetricsEngine:
    """Reads one VictoriaMetrics; satisfies `engine.Engine`.

    In a cluster, `EngineAddress.read_url` names vmselect's Prometheus prefix: http://vmselect:8481/select/0/prometheus.
    """

    def __init__(self, address: EngineAddress) -> None:
        self._asking = Asking(address)

    def samples(self, wanted: Wanted, from_ms: int, to_ms: int) -> list[EngineSeries]:
        """Give every sample with from_ms <= instant < to_ms."""
        if from_ms >= to_ms:
            return []
        form = {"match[]": selector(wanted), "start": _seconds(from_ms), "end": _seconds(to_ms - 1)}
        body = self._asking.post("/api/v1/export", form)
        return [self._exported(wanted, line) for line in body.splitlines() if line]

    def _exported(self, wanted: Wanted, line: bytes) -> EngineSeries:
        try:
            found = json.loads(line)
            at_ms = np.array(found["timestamps"], dtype=np.int64)
            value = np.array(found["values"], dtype=np.float64)
            return EngineSeries(*_named(wanted, found["metric"]), at_ms, value)
        except (ValueError, KeyError, TypeError):
            # An error in the middle of an answer comes as a line of text after good ones.
            said = line.decode("utf-8", "replace")[:200]
            raise EngineError(
                f"the central engine broke off: {said}", where=self._asking.address.for_reading, mend="Ask again."
            ) from None

    def newest(self, wanted: Wanted, from_ms: int, to_ms: int) -> list[EngineSeries]:
        """Give the newest sample of each series among those with from_ms <= instant < to_ms."""
        values = {_identity(m): v for m, v in self._over_time("last_over_time", wanted, from_ms, to_ms)}
        instants = self._over_time("tlast_over_time", wanted, from_ms, to_ms)
        return [
            EngineSeries(*_named(wanted, metric), _instants(at_s), np.array([values[_identity(metric)]]))
            for metric, at_s in instants
            if _identity(metric) in values
        ]

    def extents(self, wanted: Wanted, from_ms: int, to_ms: int) -> Sequence[tuple[EngineSeries, int]]:
        """Give each series with its first and last sample and its count."""
        asked = ("tfirst_over_time", "tlast_over_time", "first_over_time", "last_over_time")
        by_name = [{_identity(m): v for m, v in self._over_time(name, wanted, from_ms, to_ms)} for name in asked]
        found = []
        for metric, count in self._over_time("count_over_time", wanted, from_ms, to_ms):
            identity = _identity(metric)
            if all(identity in values for values in by_name):
                first_s, last_s, first, last = (values[identity] for values in by_name)
                at_ms = np.concatenate([_instants(first_s), _instants(last_s)])
                series = EngineSeries(*_named(wanted, metric), at_ms, np.array([first, last]))
                found.append((series, int(count)))
        return found

    def counts(self, wanted: Wanted, from_ms: int, to_ms: int, step_ms: int) -> Int64s:
        """Give how many samples of all these series together lie in each step from from_ms on."""
        counts = np.zeros((to_ms - from_ms) // step_ms, dtype=np.int64)
        if len(counts) == 0:
            return counts
        form = {
            "query": f"sum(count_over_time({selector(wanted)}[{step_ms}ms]))",
            "start": _seconds(from_ms + step_ms - 1),  # a window ends with its instant, that included
            "end": _seconds(to_ms - 1),
            "step": f"{step_ms}ms",
            "nocache": "1",
        }
        for one in self._results("/api/v1/query_range", form):
            for at_s, count in one["values"]:
                counts[(round(float(at_s) * 1000) - from_ms) // step_ms] = int(float(count))
        return counts

    def check(self) -> None:
        """Raise EngineError unless it answers and is well. (influxdb-client's own health() cannot read its answer.)"""
        self._asking.get("/health" if not self._asking.address.read_url else "/api/v1/labels")

    def _over_time(self, function: str, wanted: Wanted, from_ms: int, to_ms: int) -> list[tuple[dict[str, str], float]]:
        if from_ms >= to_ms:
            return []
        query = f"{function}({selector(wanted)}[{to_ms - from_ms}ms]) keep_metric_names"
        form = {"query": query, "time": _seconds(to_ms - 1), "nocache": "1"}
        return [(one["metric"], float(one["value"][1])) for one in self._results("/api/v1/query", form)]

    def _results(self, path: str, form: dict[str, str]) -> list[dict[str, Any]]:
        """Ask in MetricsQL and give the series of the answer, each with its instants and values."""
        where = self._asking.address.for_reading
        answer = parsed(self._asking.post(path, form), where)
        try:
            if answer["status"] != "success":
                raise EngineError(f"the central engine said no: {answer.get('error', '')}", where=where)
            found = list(answer["data"]["result"])
            for one in found:
                one["metric"].items()
                for _, value in one.get("values", [one.get("value")]):
                    float(value)
        except (KeyError, TypeError, IndexError, ValueError, AttributeError):
            raise EngineError("this does not answer as VictoriaMetrics does", where=where) from None
        return found


def selector(wanted: Wanted) -> str:
    """Give the MetricsQL selector of what is wanted."""
    names = "|".join(f"{wanted.measurement}_{field}" for field in wanted.fields)
    tags = "".join(f",{name}{_label_matches(value)}" for name, value in sorted(wanted.tags.items()))
    return f'{{__name__=~"{names}"{tags}}}'


def _label_matches(value: str | tuple[str, ...]) -> str:
    if isinstance(value, str):
        return f"={json.dumps(value, ensure_ascii=False)}"
    return f"=~{json.dumps('|'.join(map(re.escape, value)), ensure_ascii=False)}"


def _named(wanted: Wanted, metric: dict[str, str]) -> tuple[str, dict[str, str]]:
    tags = {name: value for name, value in metric.items() if name != "__name__"}
    return metric["__name__"].removeprefix(f"{wanted.measurement}_"), tags


def _identity(metric: dict[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(metric.items()))


def _seconds(at_ms: int) -> str:
    return f"{at_ms / 1000:.3f}"


def _instants(at_s: float) -> Any:
    return np.array([round(at_s * 1000)], dtype=np.int64)


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
    tags = "".join(f" AND {_tag_matches(name, value)}" for name, value in sorted(wanted.tags.items()))
    return f"FROM {_name(wanted.measurement)} WHERE time >= {from_ms}ms AND time < {to_ms}ms{tags} GROUP BY *"


def _tag_matches(name: str, value: str | tuple[str, ...]) -> str:
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
