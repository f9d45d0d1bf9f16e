"""Times, ages and states in words, for one page at one instant, in the site's zone."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.site.incidents import RoomState
from ingest.site.places import Site

STATE_WORDS: Final = {
    RoomState.WITHIN: "within its window",
    RoomState.DRIFTING: "drifting",
    RoomState.OUT: "out of its window",
    RoomState.RETURNING: "coming back",
    RoomState.UNKNOWN: "not known",
}


class Teller:
    """Says instants in words, seen from `now_ms`, in the zone of `site` (UTC where its name is not known here)."""

    def __init__(self, site: Site, now_ms: int) -> None:
        self.now_ms = now_ms
        self.zone = zone_of(site)

    def clock_words(self) -> str:
        """Say the present: "Tue 25 Nov, 14:32"."""
        return f"{self._local(self.now_ms):%a %-d %b, %H:%M}"

    def instant(self, at_ms: int) -> str:
        """Say an instant as briefly as it stays clear: "14:32" today, else with the date, else with the year."""
        then, now = self._local(at_ms), self._local(self.now_ms)
        if then.date() == now.date():
            return f"{then:%H:%M}"
        return f"{then:%-d %b, %H:%M}" if then.year == now.year else f"{then:%-d %b %Y, %H:%M}"

    def ago(self, at_ms: int) -> str:
        """Say how long ago: "just now", "4 minutes ago", "3 hours ago", "12 days ago"."""
        return f"{lasting(self.now_ms - at_ms)} ago" if self.now_ms - at_ms >= 60_000 else "just now"

    def _local(self, at_ms: int) -> datetime:
        return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self.zone)


def lasting(duration_ms: int) -> str:
    """Say a duration in its largest sensible unit: "4 minutes", "1 hour", "12 days"."""
    seconds = max(0, duration_ms) // 1000
    for size, name, upto in ((60, "minute", 120 * 60), (3600, "hour", 48 * 3600)):
        if seconds < upto:
            return _counted(max(1, seconds // size), name)
    return _counted(seconds // 86400, "day")


def _counted(count: int, name: str) -> str:
    return f"{count} {name}" if count == 1 else f"{count} {name}s"


def zone_of(site: Site) -> ZoneInfo:
    """Give the site's zone, or UTC where its name is not known on this computer."""
    try:
        return ZoneInfo(site.time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")
