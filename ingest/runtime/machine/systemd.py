"""What systemd is told of us: ready, alive, stopping (`sd_notify`), where it started us and wants to know.

Alive is said only while the daemon does its work: the loop turns, the writer's thread finishes rounds, and what comes
is written in time. What a restart would not mend (a full disk, an unplugged sensor) does not keep it from being said.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable, Mapping
from typing import Final

import structlog

from ingest.runtime.fitness import ROUND_LIMIT_S, WAITED_LIMIT_S

_log = structlog.get_logger("lumberroom.systemd")
_SHORTEST_S: Final = 0.05


class Systemd:
    """The line to systemd; says nothing where there is none."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        """environment: where NOTIFY_SOCKET and WATCHDOG_USEC are looked up (sd_notify(3), sd_watchdog_enabled(3))."""
        path = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + path[1:] if path.startswith("@") else path
        micros = environment.get("WATCHDOG_USEC", "")
        ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.limit_s = int(micros) / 1e6 if micros.isdigit() and ours and self._address else 0.0

    def tell(self, state: str) -> None:
        """Send one state, such as "READY=1". Never raises and never waits."""
        if not self._address:
            return
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            line.connect(self._address)
            line.send(state.encode())

    async def watch(self, is_alive: Callable[[], bool]) -> None:
        """Say that we are alive, three times within the limit, as long as we are; without a limit return at once."""
        if not self.limit_s:
            return
        was_alive = True
        while True:
            alive = is_alive()
            if alive:
                self.tell("WATCHDOG=1")
            elif was_alive:
                _log.error("the daemon does not do its work; systemd is no longer told that it is alive")
            was_alive = alive
            await asyncio.sleep(max(self.limit_s / 3, _SHORTEST_S))


def alive(*, waited_s: float, round_age_s: float, store_error: str) -> bool:
    """Say whether there is proof that the daemon works: rounds finish and readings are written, or the store says why
    they are not (which a restart would not mend, and which would cost the readings that are held).
    """
    return bool(store_error) or (waited_s <= WAITED_LIMIT_S and round_age_s <= ROUND_LIMIT_S)
