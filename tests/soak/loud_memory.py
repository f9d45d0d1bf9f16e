"""A process's memory as a series, and whether it is flat."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np

LOOK_EVERY_S, SHOWN_EVERY_S = 5.0, 15.0


class Look(NamedTuple):
    """One look.  at_s: since the first.  resident_mb: what the system counts (RSS).  own_mb: of that, not of files."""

    at_s: float
    resident_mb: float
    own_mb: float


class Memory:
    """Looks at a process every five seconds until cancelled; keeps what it saw."""

    def __init__(self, pid: int) -> None:
        self._file = Path(f"/proc/{pid}/smaps_rollup")
        self.looks: list[Look] = []

    async def look_on(self) -> None:
        """Look, again and again."""
        began_s = time.monotonic()
        while True:
            lines = self._file.read_text().splitlines()[1:]
            sizes_mb = {line.split(":")[0]: int(line.split()[1]) * 1024 / 1e6 for line in lines}
            self.looks.append(Look(time.monotonic() - began_s, sizes_mb["Rss"], sizes_mb["Anonymous"]))
            await asyncio.sleep(LOOK_EVERY_S)

    def shown(self) -> str:
        """Give the series, every fifteen seconds."""
        shown = self.looks[:: round(SHOWN_EVERY_S / LOOK_EVERY_S)]
        return " ".join(f"{look.at_s:.0f}s:{look.resident_mb:.0f}" for look in shown)

    def half(self) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        """Give the looks of the second half, as rows."""
        looks = np.array(self.looks)
        return looks[looks[:, 0] >= looks[-1, 0] / 2]

    def slope_mb_an_hour(self) -> float:
        """Give the trend of the second half by Theil and Sen: the median slope between two looks; a burst moves it
        little."""
        half = self.half()
        first, second = np.triu_indices(len(half), 1)
        between = half[second] - half[first]
        return float(np.median(between[:, 1] / between[:, 0])) * 3600

    def grown_mb(self) -> float:
        """Give by how much the median of the last two fifths of the second half is above that of its first two."""
        half = self.half()
        into = (half[:, 0] - half[0, 0]) / (half[-1, 0] - half[0, 0])
        return float(np.median(half[into >= 0.6, 1]) - np.median(half[into <= 0.4, 1]))
