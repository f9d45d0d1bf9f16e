"""When a site says something of itself: each minute that it is there, its job when that has changed or now and then."""

from __future__ import annotations

from collections.abc import Callable

from ingest.central.forwarder_settings import ForwarderSettings


class Speaking:
    """Decides what is to be said now.  announcement: gives all lines, the first says that the site is there."""

    def __init__(self, announcement: Callable[[], list[str]], settings: ForwarderSettings) -> None:
        self._announcement = announcement
        self._settings = settings
        self._glanced_s: float | None = None
        self._spoke_s: float | None = None
        self._job: list[str] = []
        self._job_said_s: float | None = None

    def due(self, now_s: float) -> list[str]:
        """Give the lines that are to go out now, or none.  now_s: monotonic."""
        settings = self._settings
        if not _is_due(self._glanced_s, settings.glance_s, now_s):
            return []
        self._glanced_s = now_s
        whole = self._announcement()
        # Said every minute, the job would take more room at the engine than the readings do.
        if _job_of(whole) != self._job or _is_due(self._job_said_s, settings.job_s, now_s):
            return whole
        return whole[:1] if _is_due(self._spoke_s, settings.announce_s, now_s) else []

    def said(self, told: list[str], now_s: float) -> None:
        """Note that these lines have gone out."""
        self._spoke_s = now_s
        if len(told) > 1:
            self._job, self._job_said_s = _job_of(told), now_s


def _job_of(told: list[str]) -> list[str]:
    """Give what is said beside that the site is there, without its instants."""
    return [one.rpartition(" ")[0] for one in told[1:]]


def _is_due(last_s: float | None, every_s: float, now_s: float) -> bool:
    return last_s is None or now_s - last_s >= every_s
