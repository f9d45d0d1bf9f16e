"""Runs a daemon until SIGTERM, SIGINT or SIGHUP; a second signal, or a stop that hangs, ends the process at once."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
from typing import Final, Protocol

import structlog

from ingest.runtime.daemon import STOP_LIMIT_S
from ingest.runtime.page_task import Ready

SIGNALS: Final = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
HURRIED_EXIT_CODE: Final = 1

_log = structlog.get_logger("lumberroom")


class Stoppable(Protocol):
    """What runs until it is asked to stop: the daemon, the office."""

    async def run(self, ready: Ready | None = None) -> None:
        """Run until `stop`."""
        ...

    def stop(self) -> None:
        """Ask it to stop."""
        ...


async def run_until_signal(daemon: Stoppable, ready: Ready | None = None) -> None:
    """Run a daemon; the first signal stops it in order, the second one at once.

    Raises what `Daemon.run` raises. The process may end without recovering from here: what is stored is safe anyway.
    """
    loop = asyncio.get_running_loop()
    asked = False

    def on_signal(number: signal.Signals) -> None:
        nonlocal asked
        if asked:
            _leave(f"{number.name} again: leaving at once")
        asked = True
        _log.info("asked to stop", by=number.name)
        leave_after(STOP_LIMIT_S)
        daemon.stop()

    for number in SIGNALS:
        loop.add_signal_handler(number, on_signal, number)
    try:
        await daemon.run(ready)
    finally:
        # From here on a signal does what it does to any program.
        for number in SIGNALS:
            loop.remove_signal_handler(number)


def leave_after(seconds: float) -> None:
    """End the process after so many real seconds, if it is still there then: some part of it hangs in a call."""
    timer = threading.Timer(seconds, _leave, [f"still not stopped after {seconds:g} s: leaving at once"])
    timer.daemon = True
    timer.start()


def _leave(why: str) -> None:
    # No exception and no lock of the log: whatever hangs must not hold this up.
    os.write(sys.stderr.fileno(), f"lumberroom: {why}\n".encode())
    os._exit(HURRIED_EXIT_CODE)
