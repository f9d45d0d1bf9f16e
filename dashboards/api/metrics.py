"""The daemon's health as OpenMetrics text (OpenMetrics 1.0), for whoever collects such figures: a pure function."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from fastapi import APIRouter
from starlette.responses import Response

from dashboards.services import AdapterStatus, Services

MEDIA_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"

Sample = tuple[Mapping[str, str], float]
"""Labels and a value."""


def router(services: Services) -> APIRouter:
    """Make the route."""
    made = APIRouter()

    @made.get("/metrics", tags=["health"], summary="The daemon's figures as OpenMetrics text", response_class=Response)
    def metrics() -> Response:
        text = openmetrics(services.health(), services.adapters()) + process_metrics()
        return Response(text + "# EOF\n", media_type=MEDIA_TYPE)

    return made


def openmetrics(health: Mapping[str, Any], adapters: Sequence[AdapterStatus]) -> str:
    """Write the figures of `Services.health` and of the adapters as metric families, without the closing line."""
    return "".join((*_daemon(health), *_lateness(health), *_adapters(adapters)))


_FIGURES: Final = (
    ("lumberroom_uptime_seconds", "gauge", "Since the start", ("uptime_s",)),
    ("lumberroom_readings_stored", "counter", "Readings stored", ("store", "stored")),
    ("lumberroom_readings_held", "gauge", "Readings that wait for the store", ("store", "held")),
    ("lumberroom_readings_lost", "counter", "Readings given up", ("store", "given_up")),
    ("lumberroom_readings_too_late", "counter", "Readings for stretches that were thinned", ("store", "too_late")),
    ("lumberroom_central_behind", "gauge", "Changes that the central engine has not got", ("central", "behind")),
    ("lumberroom_central_lag_seconds", "gauge", "Age of the oldest of them", ("central", "lag_s")),
    ("lumberroom_central_set_aside", "gauge", "Readings that the central engine refuses", ("central", "set_aside")),
    ("lumberroom_notices_waiting", "gauge", "Alerts that are to go out", ("outbox", "waiting")),
    ("lumberroom_notices_held", "gauge", "Alerts held back to be told together", ("outbox", "held")),
    ("lumberroom_notices_refused", "gauge", "Alerts refused for good", ("outbox", "refused")),
    ("lumberroom_loop_longest_stall_seconds", "gauge", "How long everything stood still", ("loop", "longest_stall_s")),
)
"""Families of one figure, and where it stands in the health."""


def _daemon(health: Mapping[str, Any]) -> Iterator[str]:
    yield from _family("lumberroom_fit", "gauge", "1 while it can do its job", [({}, health["status"] != "failing")])
    for name, kind, text, steps in _FIGURES:
        found: Any = health
        for step in steps:
            found = found.get(step, {})
        if isinstance(found, int | float):
            yield from _family(name, kind, text, [({}, found)])


def _lateness(health: Mapping[str, Any]) -> Iterator[str]:
    """Write how late notices went out, as a histogram (OpenMetrics 1.0, "Histogram")."""
    late = health.get("mail", {}).get("late")
    if not late:
        return
    name = "lumberroom_notice_lateness_seconds"
    yield f"# TYPE {name} histogram\n# HELP {name} From the commit of an alert to its acceptance.\n"
    for bound_s, count in late["within_s"].items():
        bound = bound_s if bound_s == "+Inf" else repr(float(bound_s))
        yield f'{name}_bucket{{le="{bound}"}} {count}\n'
    yield f"{name}_count {late['count']}\n{name}_sum {late['sum_s']}\n"


def _adapters(adapters: Sequence[AdapterStatus]) -> Iterator[str]:
    labelled = [({"adapter": one.name, "kind": one.kind}, one) for one in adapters]
    running = [(labels, one.state == "running") for labels, one in labelled]
    yield from _family("lumberroom_adapter_running", "gauge", "1 while the adapter runs", running)
    readings = [(labels, one.readings) for labels, one in labelled]
    yield from _family("lumberroom_adapter_readings", "counter", "Readings that came", readings)
    restarts = [(labels, one.restarts) for labels, one in labelled]
    yield from _family("lumberroom_adapter_restarts", "counter", "Restarts after a failure", restarts)
    errors = [(labels, one.errors) for labels, one in labelled]
    yield from _family("lumberroom_adapter_errors", "counter", "Failures", errors)
    rejected = [(labels | {"reason": why}, n) for labels, one in labelled for why, n in one.rejected.items()]
    yield from _family("lumberroom_adapter_rejected", "counter", "What could not become a reading", rejected)
    heard = [(labels, one.last_heard_ms / 1000) for labels, one in labelled if one.last_heard_ms is not None]
    yield from _family("lumberroom_adapter_last_heard_timestamp_seconds", "gauge", "When it was last reading", heard)


def process_metrics(folder: Path = Path("/proc/self")) -> str:
    """Give open files and memory of this process, where the system tells them: leaks show here first."""
    try:
        files = sum(1 for _ in (folder / "fd").iterdir())
        pages = int((folder / "statm").read_text().split()[1])
    except (OSError, ValueError, IndexError):
        return ""
    memory = pages * os.sysconf("SC_PAGE_SIZE")
    return "".join(
        (
            *_family("process_open_fds", "gauge", "Open files", [({}, files)]),
            *_family("process_resident_memory_bytes", "gauge", "Memory in use", [({}, memory)]),
        )
    )


def _family(name: str, kind: str, text: str, samples: Iterable[Sample]) -> Iterator[str]:
    given = list(samples)
    if not given:
        return
    yield f"# TYPE {name} {kind}\n# HELP {name} {text}.\n"
    suffix = "_total" if kind == "counter" else ""
    for labels, value in given:
        shown = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
        yield f"{name}{suffix}{{{shown}}} {float(value):.17g}\n" if shown else f"{name}{suffix} {float(value):.17g}\n"


def _escaped(text: str) -> str:
    """Write a label's value as OpenMetrics does: backslash, quote and line end escaped."""
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
