"""What the runtime tells the watch of the station itself: judging it stays free of clocks, disks and sockets."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AdapterFact:
    """How an adapter fares.  down_s: for how long it has been in trouble without a reading (s), 0 while it is well."""

    name: str
    down_s: float = 0.0


@dataclass(frozen=True, slots=True)
class StationFacts:
    """How the station fares at an instant; None where nothing is known, or it has no such part.

    uptime_s: since the daemon was started (s).  disk_free_bytes: on the disk that holds the readings.
    clock_off_s: by how much the wall clock was found to be off within the last hour (s, without sign): it stepped, or
    stood before readings that it had stamped itself.  clock_unsynchronised_s: for how long the system has said that no
    time server sets the clock.  behind_s: how old the oldest reading is that the central engine lacks.
    """

    uptime_s: float
    adapters: tuple[AdapterFact, ...] = ()
    disk_free_bytes: int | None = None
    clock_off_s: float | None = None
    clock_unsynchronised_s: float | None = None
    behind_s: float | None = None
