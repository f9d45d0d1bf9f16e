"""The template for an adapter of one's own: a temperature file of the Linux kernel, in thousandths of a degree.

A package of its own would add to its pyproject.toml::

    [project.entry-points."lumberroom.adapters"]
    kernel_thermometer = "kernel_thermometer:KernelThermometer"
"""

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

from adapters.contract import AdapterHealth, LostDeviceError, Reading, Setting, Stamp, WallClock


class KernelThermometer:
    """Reads one such file again and again."""

    SUMMARY: ClassVar[str] = "a temperature file of the Linux kernel"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("path", str, "the file, such as /sys/bus/w1/devices/28-.../temperature", required=True),
        Setting("sensor", str, "what the sensor is called", required=True),
        Setting("interval_s", float, "seconds between readings", default=60.0, minimum=1.0),
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Keep the settings; open nothing yet."""
        self.health = AdapterHealth()
        self._clock = clock
        self._path = Path(settings["path"])
        self._sensor: str = settings["sensor"]
        self._interval_s: float = settings["interval_s"]

    def describe(self) -> str:
        """Say what this reads."""
        return f"thermometer {self._path}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Give a reading every interval.  Raises LostDeviceError when the file is gone or holds no number."""
        while True:
            try:
                text = await asyncio.to_thread(self._path.read_text)
                value = int(text) / 1000
            except (OSError, ValueError) as error:
                raise LostDeviceError(
                    f"it cannot be read ({error})", where=str(self._path), mend="See whether it is plugged in"
                ) from error
            yield [Reading(self._sensor, "temperature_c", value, self._clock.now_ms(), Stamp.ARRIVAL)]
            await self._clock.sleep(self._interval_s)
