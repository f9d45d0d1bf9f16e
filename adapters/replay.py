"""Plays a file of recorded readings, CSV or SenML lines, at the pace at which it was recorded, faster, or at once.

It ends when the file does. The file is read as it is played, a bounded piece at a time, never whole.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, ClassVar

from adapters.contract import (
    AdapterHealth,
    ProtocolError,
    Reading,
    Rejection,
    Setting,
    SettingsError,
    TransientError,
    WallClock,
)
from adapters.recorded_files import FILE_SETTINGS, Portion, file_form, recorded


class Replay:
    """One file."""

    MAY_BE_SILENT: ClassVar[bool] = True
    SUMMARY: ClassVar[str] = "a file of recorded readings (CSV or SenML lines), played at any speed"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("path", str, "the file to play", required=True, is_path=True),
        Setting(
            "speed",
            float,
            "how many recorded seconds pass in a second; 0 gives everything as fast as it is taken",
            default=1.0,
            minimum=0.0,
        ),
        Setting(
            "stamps",
            str,
            '"recorded" keeps the instants of the file, "shifted" moves them so that the first one is now',
            default="recorded",
            choices=("recorded", "shifted"),
        ),
        *FILE_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError where they do not go together."""
        self.health = AdapterHealth()
        self._clock = clock
        self._path = Path(settings["path"])
        self._speed: float = settings["speed"]
        self._shifted: bool = settings["stamps"] == "shifted"
        self._form = file_form(settings, self._path)
        if self._shifted and not self._speed:
            raise SettingsError(
                'stamps "shifted" with speed 0 would put every reading at the same instant',
                where="stamps",
                mend='Give a speed above 0, or use stamps = "recorded"',
            )

    def describe(self) -> str:
        """Say what this plays."""
        pace = f"{self._speed:g} times as fast as recorded" if self._speed else "as fast as it is taken"
        return f"replay of {self._path.name}, {pace}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Give the file's readings when they are due, those of one instant together; ends with the file.

        Raises SettingsError when the file is not there or its header cannot be understood.
        """
        thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="replay")
        loop = asyncio.get_running_loop()
        portions = recorded(self._path, self._form)
        try:
            pace = _Pace(self._clock, self._speed, shifted=self._shifted)
            while (portion := await loop.run_in_executor(thread, next, portions, None)) is not None:
                for batch in self._batches(portion):
                    yield await pace.due(batch)
        except ProtocolError as error:
            # A file does not mend itself by being tried again.
            raise SettingsError(error.what, where=f"{self._path}, {error.where}", mend=error.mend) from error
        except OSError as error:
            mend = "See whether the disk is still there; it is tried again"
            raise TransientError(f"it cannot be read on ({error})", where=str(self._path), mend=mend) from error
        finally:
            thread.submit(portions.close)  # after whatever it is doing, so that the file is closed in any case
            thread.shutdown(wait=False)

    def _batches(self, portion: Portion) -> Iterator[list[Reading]]:
        """Part the readings wherever the instant changes, unless nobody waits for the instant; count rejections."""
        batch: list[Reading] = []
        for item in portion:
            if isinstance(item, Rejection):
                self.health.reject(item)
                continue
            if batch and self._speed and item.at_ms != batch[0].at_ms:
                yield batch
                batch = []
            batch.append(item)
        if batch:
            yield batch


class _Pace:
    """Holds readings back until they are due."""

    def __init__(self, clock: WallClock, speed: float, *, shifted: bool) -> None:
        self._clock = clock
        self._speed = speed
        self._shifted = shifted
        self._started_ms = clock.now_ms()
        self._first_ms: int | None = None
        self._played_ms = 0  # how far into the recording we are

    async def due(self, batch: list[Reading]) -> list[Reading]:
        """Wait until the batch, all of one instant, is due, and give it stamped as wanted."""
        if not self._speed:
            return batch
        if self._first_ms is None:
            self._first_ms = batch[0].at_ms
        into_ms = batch[0].at_ms - self._first_ms
        # A row out of order does not turn time back: it comes when its turn in the file comes.
        if into_ms > self._played_ms:
            await self._wait(into_ms)
            self._played_ms = into_ms
        if not self._shifted:
            return batch
        at_ms = self._started_ms + round(into_ms / self._speed)
        return [reading._replace(at_ms=at_ms) for reading in batch]

    async def _wait(self, into_ms: int) -> None:
        # By the clock, so that small delays do not add up; never longer than since the last reading, so that a wall
        # clock that is set back does not bring the playing to a halt.
        behind_ms = self._started_ms + into_ms / self._speed - self._clock.now_ms()
        wait_ms = min(behind_ms, (into_ms - self._played_ms) / self._speed)
        if wait_ms > 0:
            await self._clock.sleep(wait_ms / 1000)
