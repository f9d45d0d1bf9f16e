"""The eye on the station: what it makes of adapters, disk and clock. Disk and system clock are the real ones."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from dashboards.services import AdapterStatus, ForwardingStatus
from ingest.clock import SystemClock
from ingest.runtime.station_eye import StationEye, clock_is_set
from ingest.watch.stations import StationFacts

T0_MS = 1_795_564_800_000


@dataclass
class StepClock:
    """A clock whose wall and steady hands are moved by hand."""

    wall_ms: int = T0_MS
    steady_s: float = 100.0

    def now_ms(self) -> int:
        return self.wall_ms

    def monotonic_s(self) -> float:
        return self.steady_s

    async def sleep(self, seconds: float) -> None:
        self.run(seconds)

    def run(self, seconds: float, step_s: float = 0.0) -> None:
        """Let time pass; the wall clock steps besides."""
        self.steady_s += seconds
        self.wall_ms += round((seconds + step_s) * 1000)


@dataclass
class Watched:
    """A station as the eye sees it."""

    clock: StepClock
    directory: Path
    status: AdapterStatus = field(default_factory=lambda: AdapterStatus("hall", "x", "x", "running"))
    heard: Mapping[str, int] = field(default_factory=dict)
    forwarding: ForwardingStatus = field(default_factory=lambda: ForwardingStatus("http://x", lag_s=7200.0))

    def eye(self) -> StationEye:
        return StationEye(
            self.clock, self.directory, lambda: [self.status], lambda: self.forwarding, lambda: self.heard
        )


@pytest.fixture
def station(tmp_path: Path) -> Watched:
    """A station that is well."""
    return Watched(StepClock(), tmp_path)


async def after(eye: StationEye, clock: StepClock, seconds: float, step_s: float = 0.0) -> StationFacts:
    """Look again after a while."""
    clock.run(seconds, step_s)
    return await eye.look()


async def test_disk_and_forwarding_are_read(station: Watched) -> None:
    """Free space is the system's figure (within what others write meanwhile), the lag the forwarder's."""
    facts = await station.eye().look()
    assert facts.disk_free_bytes == pytest.approx(shutil.disk_usage(station.directory).free, abs=500e6)
    assert facts.behind_s == 7200.0
    assert (facts.clock_off_s, facts.adapters[0].down_s) == (0.0, 0.0)


async def test_a_disk_that_cannot_be_asked_is_not_known(station: Watched) -> None:
    """A directory that is gone gives no figure, and no error."""
    station.directory /= "gone"
    assert (await station.eye().look()).disk_free_bytes is None


async def test_an_adapter_in_trouble_is_down_since_it_was_last_well(station: Watched) -> None:
    """Waiting with an error counts from the last good look, through a restart that gives nothing; a reading ends it."""
    eye = station.eye()
    await eye.look()
    station.status = replace(station.status, state="waiting", error="no such device")
    assert (await after(eye, station.clock, 600.0)).adapters[0].down_s == 600.0
    station.status = replace(station.status, state="running")
    assert (await after(eye, station.clock, 60.0)).adapters[0].down_s == 660.0
    station.status = replace(station.status, readings=1)
    assert (await after(eye, station.clock, 60.0)).adapters[0].down_s == 0.0


async def test_a_replay_that_is_through_is_not_down(station: Watched) -> None:
    """What came to its ordinary end is finished, and stays so."""
    station.status = replace(station.status, state="finished")
    eye = station.eye()
    await eye.look()
    assert (await after(eye, station.clock, 9000.0)).adapters[0].down_s == 0.0


@pytest.mark.parametrize("step_s", [-86_400.0, 86_400.0])
async def test_a_step_of_the_clock_counts_for_an_hour(station: Watched, step_s: float) -> None:
    """A day forward or back is told as a day off, and is forgotten an hour later."""
    eye = station.eye()
    await eye.look()
    await after(eye, station.clock, 3600.0)
    assert (await after(eye, station.clock, 60.0, step_s)).clock_off_s == pytest.approx(86_400.0)
    assert (await after(eye, station.clock, 3000.0)).clock_off_s == pytest.approx(86_400.0)
    assert (await after(eye, station.clock, 900.0)).clock_off_s == 0.0


async def test_meeting_the_time_server_after_a_start_is_no_wrong_clock(station: Watched) -> None:
    """A computer without a clock battery wakes in the past and jumps forward within minutes."""
    eye = station.eye()
    await eye.look()
    assert (await after(eye, station.clock, 60.0, 86_400.0)).clock_off_s == 0.0


async def test_waking_before_ones_own_stamps_is_a_wrong_clock(station: Watched) -> None:
    """At the start the clock stands a day before the last arrival that it stamped: it is off by a day, then or now."""
    station.heard = {"a": T0_MS + 86_400_000, "b": T0_MS}
    assert (await station.eye().look()).clock_off_s == pytest.approx(86_400.0)


async def test_the_systems_own_word_on_its_clock_is_asked(tmp_path: Path) -> None:
    """On Linux adjtimex(2) answers without rights, whatever it says; the figure follows it."""
    said = clock_is_set()
    facts = await StationEye(SystemClock(), tmp_path, list, None, dict).look()
    assert said in {True, False, None}
    assert (facts.clock_unsynchronised_s is None) == (said is None)
