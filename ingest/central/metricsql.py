"""Reading from VictoriaMetrics: raw samples by its export, newest and extents by MetricsQL. Blocks.

A field becomes a metric of its own (`lumberroom_temperature_c`), a tag a label. Run against Debian's 1.79.5. What it
does that one must know: an instant query near now is moved 30 s into the past unless `nocache=1`; a window [d] at T is
(T - d, T]; what was written is visible after 0.2 to 10 s; the same instant written twice is kept twice unless the
server runs with -dedup.minScrapeInterval=1ms, and `series` counts it once either way.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from ingest.central.asking import Asking, parsed
from ingest.central.engine import EngineAddress, EngineError, EngineSeries, Wanted
from ingest.site.series import Int64s


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
    tags = "".join(f",{name}{_matches(value)}" for name, value in sorted(wanted.tags.items()))
    return f'{{__name__=~"{names}"{tags}}}'


def _matches(value: str | tuple[str, ...]) -> str:
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
