"""The kit itself: an adapter that breaks a requirement fails the check that is about it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from pathlib import Path
from typing import IO, Any, ClassVar

import pytest

from adapters import conformance
from adapters.conformance import Check, Specimen
from adapters.contract import AdapterHealth, LostDeviceError, Reading, Setting, Stamp, WallClock
from ingest.clock import SystemClock

GOOD = Reading("loft", "rh_percent", 50.0, 1_764_064_800_000, Stamp.SENSOR)


class Good:
    """Reads from a file that it holds open, as one would from a device."""

    SETTINGS: ClassVar = (Setting("path", str, "the file that stands for a device", required=True),)
    SUMMARY: ClassVar[str] = "a file that stands for a device"

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        self.path = Path(settings["path"])
        self.health = AdapterHealth()

    def describe(self) -> str:
        """Say what it reads."""
        return f"the file {self.path}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Give one reading every hundredth of a second while the file is open."""
        try:
            file = self.path.open()
        except FileNotFoundError as error:
            raise LostDeviceError("gone", where=str(self.path), mend="Bring it back") from error
        with file:
            while True:
                yield self.batch()
                await asyncio.sleep(0.01)

    def batch(self) -> Sequence[Reading]:
        """Give what is given."""
        return [GOOD]


KEPT_OPEN: list[IO[str]] = []


class OpensWhenMade(Good):
    """Opens its device too early."""

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        super().__init__(settings, clock)
        KEPT_OPEN.append(self.path.open())


class Leaks(Good):
    """Keeps its device open after it was closed."""

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Open and never close."""
        KEPT_OPEN.append(self.path.open())
        while True:
            yield self.batch()
            await asyncio.sleep(0.01)


class Untyped(Good):
    """Lets an error of the operating system through."""

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Open without looking."""
        with self.path.open():
            yield self.batch()


class EndsQuietly(Good):
    """Ends as if all were well when its device is not there."""

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Give one batch, if the file is there."""
        if self.path.exists():
            yield self.batch()


class SwallowsCancellation(Good):
    """Goes on when it is told to stop."""

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Ignore the first hundred cancellations."""
        while True:
            yield self.batch()
            try:
                await asyncio.sleep(0.01)
            except asyncio.CancelledError:
                await asyncio.sleep(3)


class Blocks(Good):
    """Sleeps on the event loop."""

    def batch(self) -> Sequence[Reading]:
        """Hold everything up."""
        time.sleep(1.2)
        return [GOOD]


class Impossible(Good):
    """Gives what cannot be."""

    def batch(self) -> Sequence[Reading]:
        """Give a humidity beyond what there is."""
        return [GOOD._replace(value=250.0)]


class OddName(Good):
    """Gives a sensor a name that it cannot have."""

    def batch(self) -> Sequence[Reading]:
        """Give a name with a space."""
        return [GOOD._replace(sensor="the loft")]


class Undocumented(Good):
    """Says nothing about its setting."""

    SETTINGS: ClassVar = (Setting("path", str, "", required=True),)


class BadDefault(Good):
    """Has a default that its own rules refuse."""

    SETTINGS: ClassVar = (*Good.SETTINGS, Setting("baud", int, "how fast it is", default=10, minimum=50))


@pytest.fixture
def specimen(tmp_path: Path) -> Callable[[type[Good]], Specimen]:
    """Give a function that makes a specimen of a class."""
    path = tmp_path / "device"
    path.write_text("")
    return lambda made: Specimen(
        made, {"path": str(path)}, SystemClock(), absent={"path": str(path) + "-gone"}, first_within_s=3
    )


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_a_good_adapter_passes(check: Check, specimen: Callable[[type[Good]], Specimen]) -> None:
    """Thirty lines that keep the contract pass every check."""
    await check(specimen(Good))


@pytest.mark.parametrize(
    ("made", "check", "message"),
    [
        (Undocumented, conformance.check_settings_are_documented, "path needs a help text"),
        (BadDefault, conformance.check_settings_are_documented, "the default of baud breaks its own rules"),
        (OpensWhenMade, conformance.check_making_opens_nothing, "making the adapter opened something"),
        (Impossible, conformance.check_readings_are_valid, "outside what can be true"),
        (OddName, conformance.check_readings_are_valid, "cannot be a sensor's name"),
        (Leaks, conformance.check_close_releases_the_transport, r"\(files, threads\) were"),
        (Untyped, conformance.check_absent_transport_is_a_typed_error, "it raised FileNotFoundError"),
        (EndsQuietly, conformance.check_absent_transport_is_a_typed_error, "ended as if all were well"),
        (SwallowsCancellation, conformance.check_cancelling_releases_the_transport, "after being cancelled it still"),
        (Blocks, conformance.check_event_loop_is_not_blocked, "the event loop stood still for 1"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
async def test_a_bad_adapter_is_found_out(
    made: type[Good], check: Check, message: str, specimen: Callable[[type[Good]], Specimen]
) -> None:
    """Each way of breaking the contract fails the check about it, with a message that says what to do."""
    with pytest.raises(AssertionError, match=message):
        await check(specimen(made))
    while KEPT_OPEN:
        KEPT_OPEN.pop().close()
