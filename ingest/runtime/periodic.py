"""Work by the calendar (nightly upkeep), on APScheduler.

Only work that belongs to a time of day is here. What must happen every so many seconds runs on the monotonic clock
(`tasks.every`), because this scheduler goes by the wall clock, which can step.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Final
from zoneinfo import ZoneInfo

import structlog
from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.schedulers.asyncio import AsyncIOScheduler

_log = structlog.get_logger("lumberroom.calendar")

NIGHTLY: Final = (4, 40)
"""Hour and minute, site time, of nightly work: an hour that no zone's change of clocks doubles or leaves out."""


class Calendar:
    """Jobs by the time of day at the site. Kept in memory: the daemon says anew at each start what there is to do."""

    def __init__(self, time_zone: str) -> None:
        self._scheduler = AsyncIOScheduler(
            timezone=ZoneInfo(time_zone),
            # A late run is better than none (a computer that slept), several missed ones are one.
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
        )
        self._scheduler.add_listener(
            self._heard, EVENT_JOB_ERROR | EVENT_JOB_EXECUTED | EVENT_JOB_MAX_INSTANCES | EVENT_JOB_MISSED
        )
        self._outcomes: dict[str, str] = {}
        self._one_at_a_time = asyncio.Lock()

    def nightly(self, name: str, work: Callable[[], Awaitable[None]], *, limit_s: float) -> None:
        """Do something every night, after what was named before it has ended.

        limit_s: after so long it is cut off and counted as failed.
        """

        async def limited() -> None:
            async with self._one_at_a_time, asyncio.timeout(limit_s):
                await work()

        hour, minute = NIGHTLY
        self._scheduler.add_job(limited, "cron", id=name, name=name, hour=hour, minute=minute)

    def start(self) -> None:
        """Begin; needs a running event loop."""
        self._scheduler.start()

    def wake(self) -> None:
        """Work out anew what is due: after a step of the wall clock."""
        if self._scheduler.running:
            self._scheduler.wakeup()

    async def run_now(self, name: str) -> None:
        """Run a job at once, out of its time. Raises KeyError where there is none of that name."""
        job = self._scheduler.get_job(name)
        if job is None:
            raise KeyError(name)
        await job.func()

    def stop(self) -> None:
        """End; running jobs are cancelled."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health: per job, when it is due next and how it last went."""
        return {
            job.id: {
                "next": job.next_run_time.isoformat() if getattr(job, "next_run_time", None) else None,
                "last": self._outcomes.get(job.id, "not run yet"),
            }
            for job in self._scheduler.get_jobs()
        }

    def _heard(self, event: Any) -> None:
        if event.code == EVENT_JOB_EXECUTED:
            self._outcomes[event.job_id] = "well"
            return
        outcome = {EVENT_JOB_MISSED: "missed", EVENT_JOB_MAX_INSTANCES: "still running from before"}.get(event.code)
        error = getattr(event, "exception", None)
        if outcome is None:
            outcome = "cut off: it took too long" if isinstance(error, TimeoutError) else f"failed: {error}"
        self._outcomes[event.job_id] = outcome
        _log.error("work by the calendar did not go well", job=event.job_id, outcome=outcome, exc_info=error)
