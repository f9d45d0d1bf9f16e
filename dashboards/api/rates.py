"""How often somebody may ask: token buckets, bounded in memory, on a clock that is passed in."""

from __future__ import annotations

import ipaddress
import math
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

MOST_REMEMBERED: Final = 2048
"""So many askers are remembered; the one that asked longest ago is forgotten first, and begins anew."""


@dataclass(frozen=True, slots=True)
class Rate:
    """burst: how much at once after a rest.  per_s: how much a second for good."""

    burst: float
    per_s: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Of the way in for readings.

    address: requests of one address (of an IPv6 network of 64 bits).  unknown: of those, how many without a key that
    holds.  key: requests by one key.  readings: readings by one key.
    """

    address: Rate = Rate(600, 30)
    unknown: Rate = Rate(30, 0.5)
    key: Rate = Rate(300, 10)
    readings: Rate = Rate(50_000, 1_000)


class Buckets:
    """One bucket for each asker. It may be overdrawn by what turned out to cost more, and pays that back first."""

    def __init__(self, rate: Rate, now_s: Callable[[], float]) -> None:
        self._rate = rate
        self._now_s = now_s
        self._levels: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._levels)

    def wait_s(self, asker: str) -> float:
        """Give for how long it must wait before it may ask; 0 when it may now."""
        level = self._level(asker)
        return 0.0 if level >= 1 else (1 - level) / self._rate.per_s

    def charge(self, asker: str, cost: float = 1.0) -> None:
        """Take from its bucket."""
        self._levels[asker] = (self._level(asker) - cost, self._now_s())
        self._levels.move_to_end(asker)
        if len(self._levels) > MOST_REMEMBERED:
            self._levels.popitem(last=False)

    def _level(self, asker: str) -> float:
        level, at_s = self._levels.get(asker, (self._rate.burst, 0.0))
        return min(self._rate.burst, level + max(0.0, self._now_s() - at_s) * self._rate.per_s)


def retry_after(wait_s: float) -> str:
    """Give the header of that name (RFC 9110, section 10.2.3): whole seconds, never too few."""
    return str(max(1, math.ceil(wait_s)))


def network_of(address: str) -> str:
    """Give who is meant by an address: itself, or for IPv6 its network of 64 bits, of which one device may have all."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.IPv6Network((parsed, 64), strict=False))
    return str(parsed)
