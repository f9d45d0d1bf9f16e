"""Looks at the station itself, once a minute: adapters, disk, clock, forwarding, as facts for the watch."""

from __future__ import annotations

import asyncio
import ctypes
import functools
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from dashboards.services import AdapterStatus, ForwardingStatus
from ingest.clock import Clock, SystemClock
from ingest.watch.stations import AdapterFact, StationFacts

LOOK_EVERY_S: Final = 60.0
REMEMBERED_S: Final = 3600.0
"""For how long a step of the clock counts: whoever looks at the page within the hour sees it."""

STARTING_S: Final = 600.0
"""A clock that goes forward so soon after the start has met its time server; only going back is told then."""

_UNSYNCHRONISED: Final = 5  # TIME_ERROR, adjtimex(2)
_TIMEX_BYTES: Final = 256  # struct timex is 208 bytes on Linux; what lies behind it is not touched


class StationEye:
    """Gathers the facts of one station, and remembers since when what has been so."""

    def __init__(
        self,
        clock: Clock,
        directory: Path,
        adapters: Callable[[], Sequence[AdapterStatus]],
        forwarding: Callable[[], ForwardingStatus] | None,
        heard: Callable[[], Mapping[str, int]],
    ) -> None:
        """heard: when each sensor was last reading by our clock, to see at the start whether it has gone back since."""
        self._clock, self._directory = clock, directory
        self._adapters, self._forwarding, self._heard = adapters, forwarding, heard
        self._began_s = clock.monotonic_s()
        self._well_s: dict[str, tuple[int, float]] = {}  # per adapter: readings then, and when it was last well
        self._wall_ms: int | None = None
        self._steady_s = 0.0
        self._off: list[tuple[float, float]] = []  # when seen (steady), by how much
        self._unset_since_s: float | None = None

    async def look(self) -> StationFacts:
        """Gather the facts of now."""
        adapters = tuple(self._adapter(status) for status in self._adapters())
        forwarding = self._forwarding() if self._forwarding else None
        free, synchronised, heard = await asyncio.to_thread(self._ask_the_system)
        return StationFacts(
            uptime_s=self._clock.monotonic_s() - self._began_s,
            adapters=adapters,
            disk_free_bytes=free,
            clock_off_s=self._clock_off_s(heard),
            clock_unsynchronised_s=self._unset_s(synchronised),
            behind_s=forwarding.lag_s if forwarding is not None else None,
        )

    def _ask_the_system(self) -> tuple[int | None, bool | None, Mapping[str, int] | None]:
        try:
            free = shutil.disk_usage(self._directory).free
        except OSError:
            free = None
        is_real = isinstance(self._clock, SystemClock)
        return free, clock_is_set() if is_real else None, self._heard() if self._wall_ms is None else None

    def _adapter(self, status: AdapterStatus) -> AdapterFact:
        """Tell for how long an adapter has been in trouble: without a reading, with an error or not running."""
        now_s = self._clock.monotonic_s()
        readings, well_s = self._well_s.get(status.name, (status.readings, self._began_s))
        is_well = status.state == "finished" or (status.state == "running" and not status.error)
        if is_well or status.readings != readings:
            well_s = now_s
        self._well_s[status.name] = (status.readings, well_s)
        return AdapterFact(status.name, now_s - well_s)

    def _clock_off_s(self, heard: Mapping[str, int] | None) -> float:
        """Give the most by which the clock was found off within the last hour, without sign (s)."""
        wall_ms, steady_s = self._clock.now_ms(), self._steady()
        if self._wall_ms is None:
            newest_ms = max((heard or {}).values(), default=wall_ms)
            step_s = min((wall_ms - newest_ms) / 1000, 0.0)
        else:
            step_s = (wall_ms - self._wall_ms) / 1000 - (steady_s - self._steady_s)
        if step_s > 0 and self._clock.monotonic_s() - self._began_s < STARTING_S:
            step_s = 0.0
        self._wall_ms, self._steady_s = wall_ms, steady_s
        self._off = [(at_s, off) for at_s, off in self._off if steady_s - at_s < REMEMBERED_S]
        if abs(step_s) > 1.0:
            self._off.append((steady_s, abs(step_s)))
        return max((off for _, off in self._off), default=0.0)

    def _steady(self) -> float:
        """Give seconds that never step, and go on while the computer sleeps: sleeping is no wrong clock."""
        boot_time = getattr(time, "CLOCK_BOOTTIME", None)
        if isinstance(self._clock, SystemClock) and boot_time is not None:
            return time.clock_gettime(boot_time)
        return self._clock.monotonic_s()

    def _unset_s(self, synchronised: bool | None) -> float | None:
        if synchronised is None:
            return None
        now_s = self._clock.monotonic_s()
        if synchronised:
            self._unset_since_s = None
            return 0.0
        self._unset_since_s = now_s if self._unset_since_s is None else self._unset_since_s
        return now_s - self._unset_since_s


@functools.cache
def _libc() -> ctypes.CDLL | None:
    try:
        found = ctypes.CDLL(None)
        return found if hasattr(found, "adjtimex") else None
    except (OSError, TypeError):
        return None


def clock_is_set() -> bool | None:
    """Say whether the system takes its clock as set by a time server (adjtimex(2)); None where it does not say."""
    libc = _libc()
    if libc is None:
        return None
    asked = ctypes.create_string_buffer(_TIMEX_BYTES)  # all noughts: only asks, changes nothing
    answer = libc.adjtimex(asked)
    return None if answer < 0 else bool(answer != _UNSYNCHRONISED)
